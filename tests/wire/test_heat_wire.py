"""Heat over real sockets: soaks, thermal states, idle current and offset in their states, against planted truths."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from sequencer.measurements.values import Value, Values
from sequencer.plan.models import Bench, Heat, IdleCurrent, Plan, Unit
from simulators.world.truth_files import all_shipped_units
from simulators.world.unit_truth import FanTruth, UnitTruth
from tests.wire.wire_bench import FAULTLESS, Loaded, NightOnWire, Wired, declared_bench, declared_unit, run_plan

SENSED_K_PER_W = 0.85 + 0.4 * 0.35  # of the shipped units: heat sink, and two fifths of the way to the devices
WINDOW_A = (0.8, 1.4)


def bench(digitiser: str = "a", supply: str = "a") -> Loaded[Bench]:
    """Only 8 ohm, and bursts of up to 10 s."""
    loaded = declared_bench(digitiser, supply, channels="AB")
    model = loaded.model
    eight = model.load["8R"].model_copy(update={"burst_max_s": 10.0})
    ceiling = model.ceiling.model_copy(update={"burst_s": 10.0})
    return replace(loaded, model=model.model_copy(update={"load": {"8R": eight}, "ceiling": ceiling}))


def unit(k_per_w: float | None = SENSED_K_PER_W) -> Unit:
    return declared_unit(31.0, coupling_hz=5.0, channels="AB").model_copy(
        update={
            "heatsink_k_per_w": k_per_w,
            "heatsink_j_per_k": 660.0,
            "heat": Heat(stop_c=75.0, trip_c=85.0),
            "idle_current": IdleCurrent(window_a=WINDOW_A),
        }
    )


def night(
    truth: UnitTruth, *stages: Mapping[str, Any], declared: Unit | None = None, on: Loaded[Bench] | None = None
) -> NightOnWire:
    named = tuple({"name": f"stage {n}", "loads": ("8R",)} | dict(s) for n, s in enumerate(stages, start=1))
    plan = Plan.model_validate({"format": 1, "name": "heat", "rest": "quick", "stage": named})
    return run_plan(Wired(on or bench(), FAULTLESS), declared or unit(), truth, plan)


def shipped(serial: str, **changed: Any) -> UnitTruth:
    return replace(all_shipped_units()[serial], **changed)


def soak(minutes: float) -> dict[str, Any]:
    return {"measurement": "soak", "options": {"minutes": minutes}}


def of(found: Values, name: str, channel: str | None = None) -> Value:
    (value,) = [v for v in found.values if (v.name, v.channel) == (name, channel)]
    return value


def kinds(night: NightOnWire) -> list[tuple[str, str | None]]:
    return [(f.kind, f.channel) for _, found in night.values for f in found.findings]


def test_a_healthy_unit_is_soaked_and_nothing_is_found() -> None:
    """All heat, the converter's too, goes into the heat sinks: at rest the sensor sees 0.85 + 0.4 x 0.35 K/W, within
    5 % (the air is read when the sensor has already jumped by a kelvin). The time constant is that of the heat sink,
    0.85 x 660 J/K = 561 s and a little for the devices'. Cold first, so that the run knows its air."""
    found = night(shipped("MV-0131"), {"measurement": "output_offset"}, soak(25.0))
    (_, _), (row, soaked) = found.values
    assert kinds(found) == []
    for channel in "AB":
        assert of(soaked, "K/W", channel).value == pytest.approx(SENSED_K_PER_W, rel=0.05)
        assert of(soaked, "time constant", channel).value == pytest.approx(0.85 * 684.0, rel=0.06)
        assert of(soaked, "soak power", channel).value == pytest.approx(31.0**2 / 16.0 / 8.0, rel=0.05)
    assert row["outcome"] == "measured"
    assert row["ambient_c"]["A"] == pytest.approx(21.5, abs=1.0)
    assert len(row["curve"]) <= 120
    assert row["curve"][-1]["at_s"] == pytest.approx(1500.0, abs=21.0)
    assert found.safe[-1].confirmed


@pytest.mark.parametrize("letter", ["a", "b"])
def test_bursts_follow_each_other_closely(letter: str) -> None:
    """10 s each, with no more between them than what setting, arming and reading take: 95 % of the time is driven (our
    own judgement), on either make of digitiser and supply. A meter without errors sees class B: 2 Vr Vp / (pi R) at a
    rail of 33.6 V, over 88 %, and 1.12 A at rest."""
    ((row, soaked),) = night(shipped("MV-0131"), soak(2.0), on=bench(letter, letter)).values
    assert row["duty_pct"] >= 95.0
    assert (row["cycles"], soaked.shots) == (10_000, 12)
    drawn_w = sum(2.0 * 33.6 * math.sqrt(2.0 * w / 8.05) / math.pi for w in row["curve"][-1]["power_w"].values())
    assert row["curve"][-1]["supply_a"] == pytest.approx(drawn_w / 0.88 / 24.0 + 1.13, rel=0.02)


def test_a_badly_mounted_side_is_named() -> None:
    """0.9 K/W more between the devices of side B and their heat sink: 0.85 + 0.4 x 1.25 = 1.35 K/W as its sensor sees
    it. The dead zone that this unit has too is not taken for little gain: no burst passes 1/8 power by 6 %."""
    found = night(shipped("MV-0135"), soak(20.0))
    ((_, soaked),) = found.values
    assert kinds(found) == [("mounting", "B")]
    assert of(soaked, "K/W", "B").value == pytest.approx(1.35, rel=0.05)
    assert of(soaked, "soak power", "A").value == pytest.approx(31.0**2 / 16.0 / 8.0, rel=0.06)


@pytest.mark.parametrize(("dead", "expected"), [(True, [("cooling", None)]), (False, [])])
def test_a_fan_that_never_starts(dead: bool, expected: list[tuple[str, str | None]]) -> None:
    """0.85 K/W without its fan, 0.45 with it: the file has 0.6 as the sensor sees it. Both sides alike: the cooling."""
    truth = all_shipped_units()["MV-0131"]
    heat = replace(truth.heat, fan=FanTruth(start_c=45.0, k_per_w=0.45, dead=dead))
    assert kinds(night(replace(truth, heat=heat), soak(20.0), declared=unit(0.6))) == expected


@pytest.mark.parametrize(("amps", "expected"), [(0.5, "idle current low"), (1.8, "idle current high")])
def test_idle_current_outside_its_window(amps: float, expected: str) -> None:
    """Planted at 25 degC, moving by 0.2 % a kelvin; 0.8 to 1.4 A declared, not driven above 2.1 A."""
    truth = all_shipped_units()["MV-0131"]
    found = night(replace(truth, feed=replace(truth.feed, idle_a=amps)), {"measurement": "idle_current"})
    assert kinds(found) == [(expected, None)]
    assert found.values[0][1].values[0].value == pytest.approx(amps, rel=0.02)


def test_an_offset_that_heat_brings() -> None:
    """2.5 mV/K on channel B from 4 mV at 25 degC: small cold. Warm after ten minutes, when 13.4 W a side have made the
    heat sink 0.85 x 13.4 (1 - exp(-600/561)) K warmer than the air of 21.5 and the devices 0.35 x 13.4 K more: about
    25 mV. The other channel moves by 0.04 mV/K."""
    truth = all_shipped_units()["MV-0131"]
    a, b = truth.channels
    drifting = replace(truth, channels=(a, replace(b, offset_v=0.004, offset_v_per_k=0.0025)))
    found = night(drifting, {"measurement": "output_offset"}, {"measurement": "output_offset", "wait": "warm"})
    (_, cold), (_, warm) = found.values
    assert kinds(found) == [("offset warm", "B")]
    assert abs(of(cold, "offset, cold", "B").value or 1.0) < 0.012
    rise_k = 1.12 * 24.0 / 2.0 * (0.85 * -math.expm1(-600.0 / 561.0) + 0.35)
    assert of(warm, "offset, warm", "B").value == pytest.approx(0.004 + 0.0025 * (21.5 + rise_k - 25.0), abs=0.002)


def test_after_drive_and_cooled_follow_a_soak() -> None:
    """A soak of 8 minutes, then a minute's rest, then at most 40 degC: the night knows when it drove last."""
    found = night(
        shipped("MV-0131"),
        soak(8.0),
        {"measurement": "idle_current", "wait": "after drive"},
        {"measurement": "idle_current", "wait": "cooled"},
        {"measurement": "output_offset", "wait": "cooled"},
    )
    _, (after_row, after), (cooled_row, cooled), (_, offset) = found.values
    assert after.values[0].judgement == cooled.values[0].judgement == "within"
    assert "after the last burst" in str(after.values[0].reason)
    assert max(cooled_row["heatsink_c"].values()) <= 40.2
    assert max(after_row["start_heatsink_c"].values()) >= max(cooled_row["heatsink_c"].values())
    assert [v.name for v in offset.values] == ["offset, cooled"] * 2
    assert kinds(found) == []


def test_a_power_is_measured_cold_and_hot() -> None:
    """At most 40 degC where the cold row begins, 45 to 55 where the hot one does (common practice, no source)."""
    stage = {"measurement": "output_power", "thermal": ("cold", "hot"), "drives": ("20 cycles",), "confirm": 1}
    found = night(shipped("MV-0131"), stage)
    cold, hot = (point.row for point in found.points)
    assert (cold["outcome"], hot["outcome"]) == ("measured", "measured")
    assert max(cold["start_heatsink_c"].values()) <= 40.0
    assert 44.5 <= min(hot["start_heatsink_c"].values()) <= max(hot["start_heatsink_c"].values()) <= 55.0


def test_a_unit_that_may_not_get_hot_has_no_hot_row() -> None:
    """Its stop limit is 38 degC: it is driven up to that and no further, and the row has the reason."""
    stage = {"measurement": "output_power", "thermal": ("hot",), "drives": ("20 cycles",)}
    declared = unit().model_copy(update={"heat": Heat(stop_c=38.0, trip_c=60.0)})
    (point,) = night(shipped("MV-0131"), stage, declared=declared).points
    assert point.row["outcome"] == "not_measured"
    assert "not within 45 to 55 degC" in point.row["reason"]
