"""A range whose gain was compared with a true-rms meter: what its budget holds, and what the sheet says of it. And
what a load's file says of its heat and its contacts."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import power_uncertainty
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.range_transfer import range_transfer
from sequencer.measurements.requests import Connect, Fire, Metered, MeterOn, Reply, Request, Shot
from sequencer.measurements.transferred import Transferred, corrections, factor_for
from sequencer.measurements.values import Context, Values
from sequencer.night.setup import NightPlan, UnitRun, channel_job, head_row
from sequencer.night.values import value_job
from sequencer.plan.clip import clip_volts
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_plan, load_unit
from sequencer.plan.models import Bench, Plan, Range
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


@pytest.mark.parametrize(("reach_v", "put_right"), [(40.0, True), (39.5, True), (50.0, False), (80.0, False)])
def test_the_meter_counts_only_where_volts_are_put_right_by_it(reach_v: float, put_right: bool) -> None:
    """On another range than the file names a digitiser shows its own error, and nobody has compared it."""
    one = Transferred("ch1", 4.0, 40.0, 0.98, 0.12, "rectangular", 0.01, 3.0)
    bench = bench_with()
    job = channel_job(bench, UNIT, expand(PLAN, UNIT, bench)[0], "A", 40.0, (one,))
    assert (factor_for({("ch1", 40.0): 0.98}, "ch1", reach_v) == 0.98) is put_right
    ids = {source.id for source in job.sources_on(reach_v)}
    assert ("meter" in ids) is put_right
    assert any(name.startswith("range:ch1") for name in ids) is not put_right


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


# --- the comparison itself, on paper: a meter, a digitiser with gains of its own, an output that is a sine

METER_BENCH, SKERRY = load_bench("meter_workshop").model, load_unit("mv_0131").model
TRANSFER_PLAN = Plan.model_validate(
    {"format": 1, "name": "t", "rest": "quick", "stage": ({"name": "r", "measurement": "range_transfer"},)}
)
FACTOR = 10.0  # of the probes


@dataclass
class PaperMeter:
    """shown: what an input's range shows over what is there, by (input, reach at the unit). meter: what the meter shows
    over what is there. silent: it gives no number. gains: true ones, by channel. wider: the digitiser takes so much
    more than the file's 4 V range."""

    shown: dict[tuple[str, float], float] = field(default_factory=dict)
    meter: float = 1.0
    silent: bool = False
    wider: float = 1.0
    gains: dict[str, float] = field(default_factory=lambda: {"A": 20.0, "B": 20.0})
    on: str | None = None
    load: str | None = "8R"
    asked: list[Request] = field(default_factory=list)
    rng: Any = field(default_factory=lambda: np.random.default_rng(5))

    def answer(self, request: Request) -> Reply:
        self.asked.append(request)
        if isinstance(request, MeterOn):
            self.on = request.channel
        if isinstance(request, Connect):
            self.load = request.load
        return self._shot(request) if isinstance(request, Fire) else None

    def _shot(self, fire: Fire) -> Shot:
        records = {name: self._record(name, fire, scale) for name, scale in fire.full_scale_v.items()}
        metered = None
        if fire.meter_vrms is not None and not self.silent and self.on is not None:
            metered = Metered(self.meter * self.gains[self.on] * fire.level_vrms, 10.0)
        return Shot(1, fire, fire.level_vrms, records, 0, False, None, 24.0, 1.0, metered)

    def _record(self, name: str, fire: Fire, scale: float) -> Record:
        channel = METER_BENCH.wiring[name][-1]
        reach = min(r.full_scale_v * FACTOR for r in METER_BENCH.range if r.full_scale_v * FACTOR >= scale)
        reach *= self.wider if reach == 4.0 * FACTOR else 1.0
        crest = math.sqrt(2.0) * fire.level_vrms * self.gains[channel] * self.shown.get((name, reach), 1.0)
        seconds = fire.last_s or fire.cycles / fire.frequency_hz
        times = np.arange(round(seconds * 100_000.0)) / 100_000.0
        step = 2.0 * reach / 4096
        volts = crest * np.sin(2.0 * math.pi * fire.frequency_hz * times) + self.rng.normal(0.0, 0.5 * step, times.size)
        codes = np.clip(np.round(volts / step), -2048, 2047).astype(np.int32)
        over = bool((np.abs(codes) >= 2047).any())
        return Record(codes * step, 1e-5, 0.0, step, reach, over, 12, codes, step, 0.0)


def compared(paper: PaperMeter, bench: Bench = METER_BENCH) -> Values:
    run = UnitRun("r0", SKERRY, bench.bay[0], expand(TRANSFER_PLAN, SKERRY, bench))
    night = NightPlan(TRANSFER_PLAN, bench, (run,), 1, "", "", "", {})
    talk, reply = range_transfer(value_job(night, run, run.points[0], Context(SKERRY, bench, run.bay))), None
    while True:
        try:
            reply = paper.answer(talk.send(reply))
        except StopIteration as end:
            found: Values = end.value
            return found


def test_a_range_that_is_not_the_files_is_not_compared() -> None:
    """5 V where the file names 4 V: what was seen there is true of no range that is declared."""
    found = compared(PaperMeter(wider=1.25))
    (one,) = [v for v in found.values if (v.name, v.channel) == ("gain of ch1 on its 4 V range", "A")]
    assert (one.value, one.judgement) == (None, "not measured")
    assert "takes a range of 5 V there" in (one.reason or "")
    assert 4.0 not in {row["full_scale_v"] for row in found.extra["ranges"]}


def test_a_gain_comes_out_as_it_was_planted() -> None:
    """ch1 shows 2 % too much on its 4 V range: +2 % and a factor of 1/1.02; all others none."""
    paper = PaperMeter({("ch1", 40.0): 1.02})
    found = compared(paper)
    values = {(v.name, v.channel): v for v in found.values}
    off = values["gain of ch1 on its 4 V range", "A"]
    assert off.value == pytest.approx(2.0, abs=0.02)
    others = [v.value for key, v in values.items() if key != ("gain of ch1 on its 4 V range", "A")]
    assert len(others) >= 7
    assert others == pytest.approx([0.0] * len(others), abs=0.02)
    row = next(r for r in found.extra["ranges"] if (r["input"], r["full_scale_v"]) == ("ch1", 4.0))
    assert row["factor"] == pytest.approx(1.0 / 1.02, rel=2e-4)
    assert (row["used"], row["freedom"]) == (True, 3)
    assert found.findings == ()


def test_its_uncertainty_is_the_meters_and_the_scatter() -> None:
    """By hand for the lower level of the 4 V range: 0.1 % + 0.02 % x 10 V / reading, a half-width; the scatter of four
    ratios at 12 bit and 20,000 samples is next to nothing. GUM: rectangular, so at most sqrt 3 x 0.95 of U."""
    found = compared(PaperMeter())
    row = next(r for r in found.extra["ranges"] if (r["input"], r["full_scale_v"]) == ("ch1", 4.0))
    lowest_vrms = 0.5 * min(0.85 * 40.0, 0.7 * clip_v()) / math.sqrt(2.0)
    assert row["meter_pct"] == pytest.approx(0.1 + 0.02 * 10.0 / lowest_vrms, rel=1e-3)
    value = next(v for v in found.values if v.name == "gain of ch1 on its 4 V range")
    assert value.expanded_uncertainty == pytest.approx(0.95 * row["meter_pct"], rel=0.02)
    assert row["scatter_pct"] < 0.01


def clip_v() -> float:
    return clip_volts(SKERRY, 8.0, 24.0)["A"]


def test_what_is_further_off_than_declared_is_told_and_not_used() -> None:
    """2 % and 0.5 % are declared: 4 % cannot be them, whoever is wrong."""
    found = compared(PaperMeter({("ch2", 40.0): 1.04}))
    assert [(one.kind, one.channel) for one in found.findings] == [("digitiser range", "B")]
    assert [(r["input"], r["full_scale_v"]) for r in found.extra["ranges"] if not r["used"]] == [("ch2", 4.0)]
    rows = [{"measurement": "range_transfer", "ranges": found.extra["ranges"]}]
    assert ("ch2", 40.0) not in corrections(rows)
    assert factor_for(corrections(rows), "ch1", 40.0) == pytest.approx(1.0, abs=2e-4)


def test_a_meter_that_gives_no_number_leaves_everything_as_it_was() -> None:
    found = compared(PaperMeter(silent=True))
    assert found.reason == "the meter gave no number while the tone stood"
    assert found.extra["ranges"] == []
    assert {v.judgement for v in found.values} == {"not measured"}


def test_it_is_done_without_a_load_and_leaves_the_bench_as_it_was() -> None:
    """Seconds of tone into a load would heat it and the unit; what was connected before is connected after."""
    paper = PaperMeter()
    compared(paper)
    fired = [n for n, one in enumerate(paper.asked) if isinstance(one, Fire) and one.meter_vrms is not None]
    away = next(n for n, one in enumerate(paper.asked) if isinstance(one, Connect) and one.load is None)
    back = max(n for n, one in enumerate(paper.asked) if isinstance(one, Connect) and one.load == "8R")
    assert away < min(fired)
    assert max(fired) < back
    assert (paper.on, paper.load) == (None, "8R")


def test_no_other_channel_is_driven_to_its_clipping() -> None:
    """B has 10 dB more gain than A: all tones hold B below 0.7 of its clip volts, though A's ranges are not filled."""
    paper = PaperMeter(gains={"A": 20.0, "B": 20.0 * 10.0**0.5})
    compared(paper)
    most = max(one.level_vrms for one in paper.asked if isinstance(one, Fire))
    assert math.sqrt(2.0) * most * paper.gains["B"] <= 0.7 * clip_v() * 1.002  # the gain as it was read


def test_an_output_without_contacts_is_said_to_be_not_measured() -> None:
    assert METER_BENCH.meter is not None
    one = METER_BENCH.model_copy(update={"meter": METER_BENCH.meter.model_copy(update={"close": {"A": ("109",)}})})
    found = compared(PaperMeter(), one)
    reasons = {v.channel: v.reason for v in found.values if v.value is None}
    assert reasons == {"B": "the meter has no contacts for this output"}


def test_the_last_comparison_of_a_run_counts() -> None:
    def row(factor: float) -> dict[str, Any]:
        one = {"input": "ch1", "full_scale_v": 4.0, "reach_v": 40.0, "factor": factor, "meter_pct": 0.2, "used": True}
        return {
            "measurement": "range_transfer",
            "ranges": [one | {"meter_kind": "normal", "scatter_pct": 0.0, "freedom": 3}],
        }

    found = corrections([row(1.01), {"measurement": "output_power"}, row(0.99)])
    assert factor_for(found, "ch1", 40.0) == 0.99
    assert factor_for(found, "ch1", 20.0) == 1.0
    assert factor_for(found, "ch2", 40.0) == 1.0
    assert corrections([]) == {}
