"""Offset, idle current and gain over real sockets, against truths planted here: drivers, dialects, panels and world
all lie between."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from sequencer.measurements.values import Values
from sequencer.plan.models import Bench, IdleCurrent, Plan
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.unit_truth import ChannelTruth, FeedTruth, RailTruth, UnitTruth
from tests.wire.wire_bench import FAULTLESS, Loaded, NightOnWire, Wired, declared_bench, declared_unit, run_plan

CORNER_HZ = 6.0
BENCHES = [("a", "a"), ("b", "b")]


def truth(offsets_v: tuple[float, float] = (0.0, 0.0), gains_db: tuple[float, float] = (26.0, 26.0)) -> UnitTruth:
    """Two channels of high input resistance behind a 6 Hz coupling; 1.1 A at rest."""
    pairs = zip("AB", offsets_v, gains_db, strict=True)
    channels = tuple(
        ChannelTruth(name, gain_db=db, offset_v=v, input_ohm=1e9, coupling_hz=CORNER_HZ) for name, v, db in pairs
    )
    return UnitTruth("MV-0900", channels, RailTruth(30.0), FeedTruth(idle_a=1.1))


def plan(*measurements: str, **idle: str) -> Plan:
    stages: list[dict[str, Any]] = []
    for name in measurements:
        stages.append({"name": name, "measurement": name} | (idle if name == "idle_current" else {}))
        if name in ("output_power", "output_offset"):
            stages[-1]["loads"] = ("8R",)
        if name == "output_power":
            stages[-1]["drives"] = ("8 cycles",)
    return Plan.model_validate({"format": 1, "name": "values", "rest": "quick", "stage": tuple(stages)})


def night(
    unit: UnitTruth, asked: Plan, wired: Wired | None = None, window_a: tuple[float, float] = (0.9, 1.4)
) -> NightOnWire:
    declared = declared_unit(30.0, coupling_hz=5.0, channels="AB")
    declared = declared.model_copy(update={"idle_current": IdleCurrent(window_a=window_a)})
    return run_plan(wired or Wired(only_8r(declared_bench(channels="AB"))), declared, unit, asked)


def only_8r(loaded: Loaded[Bench]) -> Loaded[Bench]:
    """The simulated bench of these tests has no other load."""
    bench = loaded.model
    return replace(loaded, model=bench.model_copy(update={"load": {"8R": bench.load["8R"]}}))


def by_name(values: Values) -> dict[tuple[str, str | None], float | None]:
    return {(v.name, v.channel): v.value for v in values.values}


@pytest.mark.parametrize(("digitiser", "supply"), BENCHES)
def test_offset_of_each_channel(digitiser: str, supply: str) -> None:
    """The planted offsets, read by instruments without errors of their own: within a converter's step (0.4 mV)."""
    wired = Wired(only_8r(declared_bench(digitiser, supply, channels="AB")))
    ((row, found),) = night(truth((0.0131, -0.0312)), plan("output_offset"), wired).values
    assert [v.value for v in found.values] == pytest.approx([0.0131, -0.0312], abs=0.0002)
    assert [v.judgement for v in found.values] == ["within", None]
    assert (row["outcome"], row["load"], row["channels_driven"]) == ("measured", "8R", [])


@pytest.mark.parametrize("offset_v", [0.0019, -0.0019])
def test_the_input_s_own_offset_is_in_the_uncertainty(offset_v: float) -> None:
    """Declared: 2 mV at the connector, which a 10:1 probe makes 20 mV; planted: 1.9 mV. The truth lies within 20 mV."""
    inputs = {n: InputTruth(10.0, offset_error_v=offset_v) for n in (1, 2)}
    bench = only_8r(declared_bench(channels="AB"))
    declared = {name: one.model_copy(update={"offset_uncertainty_v": 0.002}) for name, one in bench.model.input.items()}
    bench = replace(bench, model=bench.model.model_copy(update={"input": declared}))
    wired = Wired(bench, BenchTruth(digitiser=DigitiserTruth(noise_steps=0.5, inputs=inputs)))
    ((_, found),) = night(truth((0.005, 0.005)), plan("output_offset"), wired).values
    for value in found.values:
        assert value.value == pytest.approx(0.005 + 10.0 * offset_v, abs=0.0004)
        assert value.expanded_uncertainty == pytest.approx(0.95 * 0.02, rel=0.02)  # 95 % of a rectangle, JCGM 100


def test_an_offset_above_100_mv_keeps_the_unit_from_being_driven() -> None:
    """The offset is measured, the idle current too; gain and power are not, with the reason; no level beyond the least
    was ever commanded, and the night ends by itself."""
    found = night(truth((0.004, 0.13)), plan("output_offset", "idle_current", "gain", "output_power"))
    rows = [row for row, _ in found.values]
    assert [row["outcome"] for row in rows] == ["measured", "measured", "not_measured"]
    (power,) = found.points
    assert power.row["outcome"] == "not_measured"
    for row in (rows[2], power.row):
        assert "offset of channel B was 130 mV" in row["reason"]
    assert [f.kind for _, values in found.values for f in values.findings] == ["no drive"]
    assert max(found.commanded_vrms) <= 0.01
    assert found.safe[-1].confirmed


@pytest.mark.parametrize(("digitiser", "supply"), BENCHES)
def test_idle_current(digitiser: str, supply: str) -> None:
    """1.1 A planted, a meter without errors: what the two offsets' class B currents add is below 1 mA."""
    wired = Wired(only_8r(declared_bench(digitiser, supply, channels="AB")), FAULTLESS)
    ((row, found),) = night(truth(), plan("idle_current"), wired).values
    assert found.values[0].value == pytest.approx(1.1, abs=0.005)
    assert found.values[0].judgement == "within"
    assert row["shots"] == 0


def test_idle_current_warm_on_a_unit_that_does_not_move() -> None:
    """Warm at ten minutes, the earliest there is (common practice, no source)."""
    ((_, found),) = night(truth(), plan("idle_current", wait="warm")).values
    assert [v.value for v in found.values] == [pytest.approx(1.1, abs=0.005), pytest.approx(600.0, abs=20.0)]


def test_idle_current_far_above_the_window_keeps_the_unit_from_being_driven() -> None:
    """1.1 A where at most 0.5 A are declared: above 1.5 x that. A finding, not a trip: the night ends by itself."""
    found = night(truth(), plan("idle_current", "output_power"), window_a=(0.2, 0.5))
    ((_, values),) = found.values
    assert [f.kind for f in values.findings] == ["no drive"]
    assert found.points[0].row["outcome"] == "not_measured"
    assert "idle current 1.1 A" in found.points[0].row["reason"]


@pytest.mark.parametrize(("digitiser", "supply"), BENCHES)
def test_gain_and_response(digitiser: str, supply: str) -> None:
    """Planted gains, and the first-order high-pass of 6 Hz: 1 / sqrt(1 + (fc/f)^2), textbook; 0.9 dB apart is told."""
    wired = Wired(only_8r(declared_bench(digitiser, supply, channels="AB")))
    ((row, found),) = night(truth(gains_db=(26.4, 25.5)), plan("gain"), wired).values
    seen = by_name(found)
    assert seen[("gain at 1 kHz", "A")] == pytest.approx(26.4, abs=0.005)
    assert seen[("gain at 1 kHz", "B")] == pytest.approx(25.5, abs=0.005)
    for hz, text in ((20.0, "20 Hz"), (40.0, "40 Hz"), (100.0, "100 Hz"), (10000.0, "10 kHz"), (20000.0, "20 kHz")):
        expected_db = -10.0 * math.log10(1.0 + (CORNER_HZ / hz) ** 2)
        for channel in "AB":
            assert seen[(f"response at {text}", channel)] == pytest.approx(expected_db, abs=0.01), text
    assert [(f.kind, f.channel) for f in found.findings] == [("channel mismatch", "B")]
    assert "0.90 dB" in found.findings[0].sentence
    assert row["channels_driven"] == ["A", "B"]
