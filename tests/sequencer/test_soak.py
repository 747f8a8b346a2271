"""A soak against a unit on paper: the closed form of one RC, class B heat from the textbook."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sequencer.measurements.soak import soak
from sequencer.measurements.values import Value, Values
from tests.sequencer.paper_oven import RAIL_V, PaperOven, bench_of, heat_job, run, unit_of

FULL_W = RAIL_V**2 / 16.0  # into 8 ohm
ROW = {"id": "p004", "measurement": "output_power", "outcome": "measured", "load": "8R", "frequency_hz": 1000.0,
       "supply_nominal_v": 24.0, "stop_limit": 1.0, "cycles": 20}  # fmt: skip


def measured(oven: PaperOven, **asked: Any) -> Values:
    return run(soak(heat_job(**asked)), oven)


def of(found: Values, name: str, channel: str | None = None) -> Value:
    (value,) = [v for v in found.values if (v.name, v.channel) == (name, channel)]
    return value


def kinds(found: Values) -> list[tuple[str, str | None]]:
    return [(f.kind, f.channel) for f in found.findings]


def eighth_heat_w(idle_w: float) -> float:
    """Class B at 1/8 power, the level at 0.353553 of the rail: drawn 0.450158 of full, so heat 0.325158 (textbook)."""
    return 0.325158 * FULL_W + idle_w


def test_k_per_w_time_constant_and_end() -> None:
    """T = Ta + P R (1 - exp(-t/RC)) with R 1.2 K/W, C 500 J/K: tau 600 s; P = 18.3 W by class B, and 12 W of idle."""
    oven = PaperOven({"A": 1.2, "B": 1.2})
    found = measured(oven, unit=unit_of(1.2))
    heat_w = eighth_heat_w(12.0)
    for channel in "AB":
        assert of(found, "time constant", channel).value == pytest.approx(600.0, rel=0.02)
        assert of(found, "K/W", channel).value == pytest.approx(1.2, rel=0.01)
        end_c = 22.0 + heat_w * 1.2 * -math.expm1(-2700.0 / 600.0)
        assert of(found, "heat sink, end", channel).value == pytest.approx(end_c, abs=0.4)
        assert of(found, "soak power", channel).value == pytest.approx(FULL_W / 8.0, rel=0.01)
    assert of(found, "heat of the unit").value == pytest.approx(2.0 * heat_w, rel=0.01)
    assert (kinds(found), found.reason, found.extra["stopped_by"]) == ([], None, None)
    assert found.extra["duty_pct"] == pytest.approx(100.0 * 10.0 / 10.05, abs=0.1)
    assert found.extra["minutes"] == pytest.approx(45.0, abs=0.2)


def test_never_a_tone_without_an_end() -> None:
    """Counted bursts of 10 s at most, at 1/8 power; only their last tenth of a second is captured."""
    oven = PaperOven({"A": 1.2, "B": 1.2})
    found = measured(oven, minutes=5.0)
    bursts = [f for f in oven.fired if f.purpose == "soak"]
    assert {f.cycles for f in bursts} == {10_000}
    assert {f.last_s for f in bursts} == {0.1}
    assert len(bursts) == 30
    assert found.shots == 30


@pytest.mark.parametrize(("load", "cycles"), [({"burst_max_s": 2.0}, 2000), ({"burst_j": 35.0}, 4977)])
def test_bursts_as_short_as_the_load_wants(load: dict[str, float], cycles: int) -> None:
    """35 J at 56.25 W / 8 = 7.03 W: 4.977 s."""
    oven = PaperOven({"A": 1.2, "B": 1.2})
    measured(oven, bench=bench_of(**load), minutes=1.0)
    assert oven.fired[-1].cycles == pytest.approx(cycles, rel=1e-3)


def test_a_part_of_what_was_measured_else_of_what_is_declared() -> None:
    """48 W measured into this load at 1 kHz: 6 W, whatever the file says of it; another load's row is not taken."""
    power = {"channels": [{"channel": "A", "power_w": 48.0}, {"channel": "B", "power_w": 50.0}]}
    found = measured(PaperOven({"A": 1.2, "B": 1.2}), earlier=(ROW | power,), minutes=1.0)
    assert of(found, "soak power", "A").value == pytest.approx(6.0, rel=0.01)
    assert "p004" in found.extra["power_basis"]
    other = measured(PaperOven({"A": 1.2, "B": 1.2}), earlier=(ROW | power | {"load": "4R"},), minutes=1.0)
    assert of(other, "soak power", "A").value == pytest.approx(FULL_W / 8.0, rel=0.01)
    assert "declares" in other.extra["power_basis"]


def test_the_air_is_as_the_run_found_the_heat_sinks() -> None:
    """Idle alone has warmed it to 36.4 degC before: K/W counts from the 22 degC of the run's first row."""
    oven = PaperOven({"A": 1.2, "B": 1.2}, start_c=22.0 + 12.0 * 1.2)
    first = {"id": "p001", "start_heatsink_c": {"A": 22.0, "B": 22.0}}
    assert of(measured(oven, earlier=(first,)), "K/W", "B").value == pytest.approx(1.2, rel=0.01)


def test_a_sensor_beside_the_devices() -> None:
    """It reads 0.14 K/W x heat more while they are driven: K/W as seen is 1.2 + 0.14, the time constant stays."""
    found = measured(PaperOven({"A": 1.2, "B": 1.2}, jump_k_per_w=0.14, noise_k=0.1))
    assert of(found, "K/W", "A").value == pytest.approx(1.34, rel=0.02)
    assert of(found, "time constant", "A").value == pytest.approx(600.0, rel=0.05)


def test_a_badly_mounted_side_is_named() -> None:
    """30.3 W into 1.2 K/W with 600 s, and into 1.7 with 850: 36.0 against 49.3 K after 45 min, 13.4 K apart (more than
    8 K: common practice, no source)."""
    found = measured(PaperOven({"A": 1.2, "B": 1.7}))
    assert kinds(found) == [("mounting", "B")]
    assert "13.4 K apart" in found.findings[0].sentence
    assert kinds(measured(PaperOven({"A": 1.7, "B": 1.2}), unit=unit_of(1.2))) == [("mounting", "A")]


def test_both_sides_alike_is_the_cooling() -> None:
    """1.7 K/W where the model has 1.2: more than 30 % on both (common practice, no source)."""
    assert kinds(measured(PaperOven({"A": 1.7, "B": 1.72}), unit=unit_of(1.2))) == [("cooling", None)]


def test_a_fan_that_need_not_run_yet_is_no_finding() -> None:
    """1.7 K/W where the model has 1.2 with its fan on, but an eighth of 10 W only: below 50 degC no fan is missed (our
    own judgement)."""
    power = {"channels": [{"channel": name, "power_w": 10.0} for name in "AB"]}
    found = measured(PaperOven({"A": 1.7, "B": 1.7}, idle_a=0.05), unit=unit_of(1.2), earlier=(ROW | power,))
    assert of(found, "heat sink, end", "A").value is not None
    assert float(of(found, "heat sink, end", "A").value or 0.0) < 50.0
    assert float(of(found, "K/W", "A").value or 0.0) > 1.3 * 1.2
    assert kinds(found) == []


@pytest.mark.parametrize("factor", [0.85, 1.15])
def test_healthy_spread_finds_nothing(factor: float) -> None:
    """+-15 % of K/W on both sides, 2 % apart: a spread that sound units have (common practice, no source)."""
    k = 1.2 * factor
    oven = PaperOven({"A": k, "B": 1.02 * k}, noise_k=0.1, jump_k_per_w=0.1, idle_per_k=0.002)
    assert kinds(measured(oven, unit=unit_of(1.3))) == []


def test_stop_limit_ends_it_and_the_curve_is_kept() -> None:
    """22 + 30.3 x 1.2 (1 - exp(-t/600)) reaches 50 degC after 600 ln(36.4/8.4) = 880 s."""
    found = measured(PaperOven({"A": 1.2, "B": 1.2}), unit=unit_of(1.2, stop_c=50.0))
    assert found.extra["stopped_by"] == "temperature"
    assert found.extra["curve"][-1]["at_s"] == pytest.approx(880.0, abs=25.0)
    assert found.extra["curve"][-1]["heatsink_c"]["A"] >= 50.0
    assert kinds(found)[0] == ("soak ended early", "A")
    assert found.trip is None


def test_curve_is_thinned_and_keeps_its_end() -> None:
    found = measured(PaperOven({"A": 1.2, "B": 1.2}), bench=bench_of(burst_max_s=2.0))
    curve = found.extra["curve"]
    assert 60 <= len(curve) <= 120
    assert curve[-1]["at_s"] == pytest.approx(2700.0, abs=5.0)
    assert set(curve[0]) == {"at_s", "heatsink_c", "supply_v", "supply_a", "power_w"}
    assert curve[0]["at_s"] < 15.0


def test_short_bursts_are_read_together() -> None:
    """2 s each: some 1,340 of them in 45 min, and one reading of the heat sinks for five of them."""
    oven = PaperOven({"A": 1.2, "B": 1.2})
    found = measured(oven, bench=bench_of(burst_max_s=2.0))
    assert found.shots == pytest.approx(1345, abs=10)
    assert oven.readings < 300
    assert of(found, "K/W", "A").value == pytest.approx(1.2, rel=0.01)


def test_a_frozen_thermometer_is_told_and_its_side_is_not_judged() -> None:
    """18.3 W above idle into 500 J/K: 4 K within two minutes, and the reading stays at 22.0."""
    found = measured(PaperOven({"A": 1.2, "B": 1.2}, frozen={"B": 22.0}), unit=unit_of(1.2))
    assert kinds(found) == [("thermometer does not follow", "B")]


def test_a_heavy_heat_sink_is_no_broken_thermometer() -> None:
    """4,500 J/K at 18.3 W rises 4 K only after 16 min; the file says so, and nothing is found."""
    oven = PaperOven({"A": 1.2, "B": 1.2}, j_per_k=4500.0)
    found = measured(oven, unit=unit_of(1.2, j_per_k=4500.0), minutes=20.0)
    assert kinds(found) == []
    assert of(found, "K/W", "A").value is None
    assert "longer soak" in str(of(found, "K/W", "A").reason)


def test_began_hot_it_may_cool() -> None:
    """From 70 degC down to 58: falling readings are no broken thermometer."""
    assert kinds(measured(PaperOven({"A": 1.2, "B": 1.2}, start_c=70.0), unit=unit_of(1.2))) == []


def test_idle_current_that_stays_up() -> None:
    """2 % a kelvin over some 24 K five minutes after: above 30 % more (common practice, no source)."""
    found = measured(PaperOven({"A": 1.0, "B": 1.0}, idle_a=0.5, idle_per_k=0.02))
    assert kinds(found) == [("idle current after heat", None)]


def test_outputs_that_go_away_end_it() -> None:
    """A protection acted: told, and no burst after the one that showed it."""
    oven = PaperOven({"A": 1.2, "B": 1.2}, gone_after_s=600.0)
    found = measured(oven)
    assert found.extra["stopped_by"] == "protection"
    assert kinds(found)[0] == ("soak ended early", "A")
    assert len(oven.fired) < 65


def test_a_dead_zone_is_not_taken_for_little_gain() -> None:
    """With too little idle current hardly anything of a harmless level comes out. The power asked for is met all the
    same, and never passed by more than what the dead zone still takes at half that level: 0.12 V of 5.3, 5 %."""
    oven = PaperOven({"A": 1.2, "B": 1.2}, dead_v=0.12)
    found = measured(oven, minutes=2.0)
    assert found.reason is None
    assert of(found, "soak power", "A").value == pytest.approx(FULL_W / 8.0, rel=0.05)
    assert max(f.level_vrms for f in oven.fired) <= 1.05 * RAIL_V / 4.0 / 20.0


def test_current_limit_ends_it() -> None:
    found = measured(PaperOven({"A": 1.2, "B": 1.2}, limit_after_s=300.0))
    assert found.extra["stopped_by"] == "supply_current_limit"


def test_a_silent_channel_is_not_soaked() -> None:
    oven = PaperOven({"A": 1.2, "B": 1.2}, gone_after_s=0.0)
    found = measured(oven)
    assert "no output seen on channel A, B" in str(found.reason)
    assert {f.purpose for f in oven.fired} == {"gain proof"}


def test_without_thermometers_it_says_so() -> None:
    found = measured(PaperOven({"A": 1.2, "B": 1.2}, unseen=True), minutes=2.0)
    assert of(found, "heat sink, end", "A").reason == "no thermometer sees it"
