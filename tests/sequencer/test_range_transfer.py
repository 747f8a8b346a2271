"""A range whose gain was compared with a true-rms meter: what its budget holds, and what the sheet says of it. And
what a load's file says of its heat and its contacts."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from sequencer.analysis.uncertainty import power_uncertainty
from sequencer.measurements.power_job import ChannelJob
from sequencer.night.setup import NightPlan, UnitRun, channel_job, head_row
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_plan, load_unit
from sequencer.plan.models import Bench, Range
from sequencer.report.pages import write_pages
from tests.sequencer.ledger_rows import channel, point
from tests.sequencer.report_html import read
from tests.sequencer.report_nights import run, write

COMPARED = Range(input="ch1", full_scale_v=4.0, gain_uncertainty_pct=0.2, kind="normal", corrected_on=date(2026, 9, 3))
OWN = Range(input="all", full_scale_v=8.0, gain_uncertainty_pct=2.0)
PLAN, UNIT = load_plan("first").model, load_unit("ferry_pa_60").model


def bench_with(**load: Any) -> Bench:
    bench = load_bench("workshop").model
    changed = {name: one.model_copy(update=load) for name, one in bench.load.items()}
    return bench.model_copy(update={"range": (OWN, COMPARED), "load": changed})


def night_of(bench: Bench) -> tuple[NightPlan, UnitRun]:
    one = UnitRun("r0", UNIT, bench.bay[0], expand(PLAN, UNIT, bench))
    return NightPlan(PLAN, bench, (one,), 1, "", "", "", {}), one


def job_on(bench: Bench) -> ChannelJob:
    return channel_job(bench, UNIT, expand(PLAN, UNIT, bench)[0], "A", 40.0)


def test_the_budget_of_each_range_is_its_own() -> None:
    """100 W: 2 x 0.2 % (a deviation) on the compared range, 2 x 2 %/sqrt 3 on the other, by the slope of V^2/R."""
    job = job_on(bench_with())
    low = power_uncertainty(100.0, job.sources_on(40.0)).parts_w
    high = power_uncertainty(100.0, job.sources_on(80.0)).parts_w
    assert low["range:ch1:4"] == pytest.approx(0.4)
    assert high["range:ch1:8"] == pytest.approx(4.0 / math.sqrt(3))


def test_results_keep_the_date_of_each_compared_range() -> None:
    """Of the input that was compared, and no other one."""
    head = head_row(*night_of(bench_with()), "2026-11-26T00:00:00Z")
    assert head["ranges_corrected"] == {"range:ch1:4": "2026-09-03"}


def test_the_sheet_says_how_a_gain_is_known(tmp_path: Path) -> None:
    """By a comparison, with its date, or by the digitiser's own figure."""
    dates = head_row(*night_of(bench_with()), "")["ranges_corrected"]
    parts = {"range:ch1:4": 0.4, "range:ch1:8": 2.3, "heat": 0.1, "contact": 0.05}
    told = run(point(channels=[channel("A", uncertainty_parts_w=parts)]), ranges_corrected=dates)
    text = read(write_pages(write(tmp_path / "night", told)).read_text()).text
    assert "gain of ch1 on its 4 V range, compared with a meter on 2026-09-03" in text
    assert "gain of ch1 on its 8 V range, by the digitiser's own figure" in text
    assert "heat of the load" in text
    assert "closing of the load's contacts" in text


def test_heat_and_contacts_of_a_load() -> None:
    """50 ppm/K over 95 K (25 to the 120 degC where the watch ends it) are 0.475 %, 0.02 ohm of 8 are 0.25 %; both
    half-widths. A load that declares neither has no such part.
    """
    bench = bench_with(ohm={"A": 8.0, "B": 8.0}, tempco_ppm_per_k=-50.0, contact_ohm=0.02)
    parts = power_uncertainty(100.0, job_on(bench).sources).parts_w
    assert abs(parts["heat"]) == pytest.approx(0.475 / math.sqrt(3))
    assert abs(parts["contact"]) == pytest.approx(0.25 / math.sqrt(3))
    plain = bench_with(tempco_ppm_per_k=0.0)
    assert {"heat", "contact"}.isdisjoint(power_uncertainty(100.0, job_on(plain).sources).parts_w)
