"""What `endurance` reads from one tone by blocks, and what it costs on paper. Closed forms as in test_endurance."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from sequencer.analysis.dropouts import block_volts, dropouts
from sequencer.analysis.records import Record
from sequencer.plan.estimate_values import value_estimate
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse import refusals
from sequencer.plan.within import plan_problems
from tests.sequencer.test_precondition import plan

RATE_HZ = 50_000.0

# --- blocks of a tone


def record(volts: Any, start_s: float = 9.6) -> Record:
    return Record(volts, 1.0 / RATE_HZ, start_s, 1e-3, 40.0, False, 12)


def test_blocks_read_the_tone_alone() -> None:
    """7 Vrms with 3 V of offset, 2 V of 50 Hz and noise: the rms of its own line."""
    times = 9.6 + np.arange(20_000) / RATE_HZ
    noise = np.random.default_rng(5).normal(0.0, 0.01, times.size)
    hum = 2.0 * np.sin(2.0 * np.pi * 50.0 * times)
    seen = block_volts(
        record(7.0 * math.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * times) + 3.0 + hum + noise), 1000.0, 9.6, 10.0
    )
    assert seen.size == 40
    assert seen == pytest.approx(np.full(40, 7.0), rel=2e-3)


@pytest.mark.parametrize(("left", "lasts_s"), [(0.0, 0.05), (0.5, 0.10), (1.5, 0.03)])
def test_a_stretch_away_is_found_where_it_lies(left: float, lasts_s: float) -> None:
    times = 9.6 + np.arange(20_000) / RATE_HZ
    part = np.where((times >= 9.7) & (times < 9.7 + lasts_s), left, 1.0)
    volts = part * 7.0 * math.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * times)
    (out,) = dropouts(block_volts(record(volts), 1000.0, 9.6, 10.0), 7.0, 1.0, 9.6, 0.01)
    assert out.at_s == pytest.approx(9.7, abs=0.0101)
    assert out.lasted_s == pytest.approx(lasts_s, abs=0.0101)
    assert out.db == pytest.approx(20.0 * math.log10(left) if left else -80.0, abs=0.1)


def test_a_steady_tone_has_none() -> None:
    """200 records in noise of 1 %: a block's rms stays well within 1 dB."""
    times = np.arange(20_000) / RATE_HZ
    tone = 2.83 * math.sqrt(2.0) * np.sin(2.0 * np.pi * 1000.0 * times)
    for seed in range(200):
        volts = tone + np.random.default_rng([1, seed]).normal(0.0, 0.03, times.size)
        assert dropouts(block_volts(record(volts, 0.0), 1000.0, 0.0, 0.4), 2.83, 1.0, 0.0, 0.01) == []


# --- on paper


def point_of(**options: Any) -> tuple[ValuePoint, Any]:
    unit, bench = load_unit("mv_0131").model, load_bench("ferry_workshop").model
    asked = plan("endurance", options=options)
    (point,) = expand(asked, unit, bench)
    assert isinstance(point, ValuePoint)
    return point, value_estimate(point, unit, bench)


def test_its_cost_on_paper_holds_the_joules_and_the_time() -> None:
    """At least P t of both powers into both loads, and at least the minutes; twice the minutes, twice the work."""
    point, cost = point_of(minutes=60.0, power_cycles=3)
    bench = load_bench("ferry_workshop").model
    least_j = sum(1800.0 * 1.0 + 1800.0 * cost.power_w for _ in point.channels)
    assert cost.energy_load_j >= least_j
    assert cost.time_s >= 3600.0 + 3 * (10.0 + 0.0)
    assert cost.power_w < bench.ceiling.output_w if bench.ceiling.output_w else True
    _, double = point_of(minutes=120.0, power_cycles=3)
    assert double.energy_load_j == pytest.approx(2.0 * cost.energy_load_j, rel=0.05)


def test_unattended_it_stays_at_an_eighth() -> None:
    unit, bench = load_unit("mv_0131").model, load_bench("ferry_workshop").model
    bare = bench.model_copy(update={"hardware": type(bench.hardware)()})
    refused = [p.key for p in refusals(plan("endurance", options={"power_parts": (0.25,)}), unit, bare)]
    assert refused == ["stage[0].options.power_parts[0]"]
    assert refusals(plan("endurance"), unit, bare) == []


def test_without_thermometers_and_from_the_mains_it_is_refused() -> None:
    unit, bench = load_unit("mv_0131").model, load_bench("ferry_workshop").model
    blind = bench.model_copy(update={"bay": tuple(bay.model_copy(update={"thermometer": {}}) for bay in bench.bay)})
    assert [p.key for p in refusals(plan("endurance"), unit, blind)] == ["stage[0].measurement"]
    mains = unit.model_copy(update={"front_end": "mains"})
    assert [p.key for p in refusals(plan("endurance"), mains, bench)] == ["front_end"]


def test_keys_that_say_nothing_to_it() -> None:
    asked = plan("endurance", frequencies_hz=(100.0,))
    assert [p.key for p in plan_problems(asked, "plan")] == ["stage[0].frequencies_hz"]
