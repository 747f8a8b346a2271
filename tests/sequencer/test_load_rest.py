"""The loads' stop limit: the rest before a burst, held against the body's differential equation solved by scipy, and
against x' = -x / tau by hand. 90 degC and 25 degC of the room: common practice, no source."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy.integrate import solve_ivp

from sequencer.measurements.requests import Connect, Fire, Inputs, Shot
from sequencer.safety.load_rest import loads_left
from sequencer.safety.rules import Rules
from tests.sequencer.rule_cases_output import ALL, HEAVY_BENCH, K_PER_W, ON_4R, TAU_S, into_4r
from tests.sequencer.rule_paper import BAY, CLIP_V, GAIN, UNIT

OHM_A = 4.01  # of the bench's file, as in the cases
ROOM_C, WARM_C = 25.0, 90.0
END_S = 10.0  # of the burst that warms


def warmed(rise_k: float, *channels: str) -> Rules:
    """Rules that have heard one burst of 10 s, which left channel A so far above the room."""
    rules = Rules(UNIT, HEAVY_BENCH, BAY, "output_power")
    rules.hear(Connect("4R", channels or ALL), None)
    watts = rise_k / K_PER_W / (1.0 - math.exp(-END_S / TAU_S))
    rules.hear(*into_4r(watts, END_S, read_s=0.2))
    return rules


def fire(level_vrms: float, seconds: float) -> Fire:
    return Fire(level_vrms, 100.0, round(100.0 * seconds), {"ch1": 50.0}, "ramp")


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def forward_c(rise_k: float, rest_s: float, watts: float, burst_s: float) -> float:
    """x' = P / C - x / tau, through a rest and a burst."""
    heat_k_per_s = watts * K_PER_W / TAU_S
    found = rise_k
    for seconds, rate in ((rest_s, 0.0), (burst_s, heat_k_per_s)):
        solved = solve_ivp(lambda _, x, rate=rate: rate - x / TAU_S, (0.0, seconds), [found], rtol=1e-9, atol=1e-9)
        found = float(solved.y[0, -1])
    return ROOM_C + found


def test_cold_loads_need_no_rest() -> None:
    rules = Rules(UNIT, HEAVY_BENCH, BAY, "output_power")
    assert rules.rest_s(fire(0.5, 1.0), 0) == 0.0  # nothing is connected
    rules.hear(*ON_4R)
    assert rules.rest_s(fire(0.5, 1.0), 0) == 0.0


def test_a_burst_that_heats_nothing_waits_until_they_are_below_90() -> None:
    """80 K above the room, 65 K allowed: tau ln(80 / 65)."""
    rules = warmed(80.0)
    assert rules.rest_s(fire(1e-4, 0.01), ns(END_S)) == pytest.approx(TAU_S * math.log(80.0 / 65.0), abs=0.02)
    assert rules.rest_s(fire(1e-4, 0.01), ns(END_S + TAU_S * math.log(80.0 / 64.0))) == 0.0


@pytest.mark.parametrize("burst_s", [0.2, 2.0, 9.0])
@pytest.mark.parametrize("waited_s", [0.0, 0.2])
def test_after_the_rest_the_burst_just_comes_to_90(burst_s: float, waited_s: float) -> None:
    rules, watts = warmed(80.0), 60.0
    level_vrms = math.sqrt(watts * OHM_A) / GAIN  # by the gain of the unit's file
    rest_s = rules.rest_s(fire(level_vrms, burst_s), ns(END_S + waited_s))
    assert rest_s > 0.0
    assert forward_c(80.0, waited_s + rest_s, watts, burst_s) == pytest.approx(WARM_C, abs=0.3)  # 26 dB is not 20


def test_a_burst_too_large_for_the_limit_waits_until_they_are_cold_and_no_longer() -> None:
    """A cold load bears what its file allows: within 2 K of the room (our own choice)."""
    watts = 1.05 * (WARM_C - ROOM_C) / K_PER_W / (1.0 - math.exp(-9.0 / TAU_S))
    level_vrms = math.sqrt(watts * OHM_A) / GAIN
    assert warmed(80.0).rest_s(fire(level_vrms, 9.0), ns(END_S)) == pytest.approx(TAU_S * math.log(40.0), rel=2e-3)
    assert warmed(1.9).rest_s(fire(level_vrms, 9.0), ns(END_S)) == 0.0


def test_no_more_than_a_square_wave_at_the_clip_is_foreseen() -> None:
    """So a drive far beyond the clip does not rest for watts that never come."""
    rest_s = warmed(80.0).rest_s(fire(100.0, 0.02), ns(END_S))
    assert forward_c(80.0, rest_s, CLIP_V**2 / OHM_A, 0.02) == pytest.approx(WARM_C, abs=0.1)


def test_the_gain_that_was_proved_counts_before_the_file_s() -> None:
    """1 V a volt was proved, where the file says 20: the burst heats nothing, whatever its level says."""
    rules = Rules(UNIT, HEAVY_BENCH, BAY, "output_power")
    rules.hear(*ON_4R)
    request, shot = into_4r(1.0, 1.0)
    assert isinstance(request, Fire)
    assert isinstance(shot, Shot)
    proof = replace(request, purpose="gain proof")
    rules.hear(proof, replace(shot, request=proof))
    rules.hear(*into_4r(80.0 / K_PER_W / (1.0 - math.exp(-END_S / TAU_S)), END_S, 1.0, read_s=0.2))
    no_rest_left = rules.rest_s(fire(0.6, 0.5), ns(1.0 + END_S))
    assert no_rest_left == pytest.approx(TAU_S * math.log(80.0 / 65.0) - 0.5, abs=0.1)


def test_an_undriven_channel_is_not_heated() -> None:
    level_vrms = math.sqrt(60.0 * OHM_A) / GAIN
    rules, undriven = warmed(80.0, "A"), warmed(80.0, "A")
    undriven.hear(Inputs(("B",)), None)
    assert rules.rest_s(fire(level_vrms, 2.0), ns(END_S)) > 1.0
    assert undriven.rest_s(fire(level_vrms, 2.0), ns(END_S)) == pytest.approx(0.0, abs=0.05)


def on_disk(rises: dict[tuple[str, str], tuple[float, int]], now_s: float = 0.0) -> Rules:
    """Rules of a process that finds these, and connects that load."""
    rules = Rules(UNIT, HEAVY_BENCH, BAY, "output_power", loads_left(rises, ns(now_s)))
    rules.hear(*ON_4R)
    return rules


@pytest.mark.parametrize("waited_s", [0.0, 1.0, 5.0])
def test_loads_that_another_process_left_warm_have_cooled_by_the_time_that_passed(waited_s: float) -> None:
    """90 K above the room then; e^(-t / tau) of it now: tau ln(90 / 65) in all."""
    rules = on_disk({("4R", "A"): (90.0, ns(-waited_s)), ("8R", "A"): (94.0, 0)})
    due_s = max(TAU_S * math.log(90.0 / 65.0) - waited_s, 0.0)
    assert rules.rest_s(fire(1e-4, 0.01), 0) == pytest.approx(due_s, abs=0.02)


def test_a_clock_that_was_set_back_cools_nothing() -> None:
    """A time still to come counts as now; it does not keep them from cooling from now on."""
    rules = on_disk({("4R", "A"): (90.0, ns(3600.0))})
    assert rules.rest_s(fire(1e-4, 0.01), 0) == pytest.approx(TAU_S * math.log(90.0 / 65.0), abs=0.02)
    assert rules.rest_s(fire(1e-4, 0.01), ns(TAU_S)) == 0.0


def test_what_a_burst_may_leave_is_known_before_it() -> None:
    """60 W for 2 s on top of 80 K, by the differential equation; of channel B what its own ohms make of these volts."""
    rules, watts = warmed(80.0), 60.0
    level_vrms = math.sqrt(watts * OHM_A) / GAIN
    found = rules.loads_to_keep(fire(level_vrms, 2.0), ns(END_S + 1.0))
    most_k, at_ns = found[("4R", "A")]
    exact_k = forward_c(80.0 * math.exp(-1.0 / TAU_S), 0.0, watts, 2.0) - ROOM_C
    assert most_k == pytest.approx(exact_k, abs=0.3)  # 26 dB is not 20
    assert at_ns == ns(END_S + 3.0)
    assert set(found) == {("4R", name) for name in ALL}


def test_nothing_is_kept_twice_nor_of_bursts_that_leave_them_cold() -> None:
    rules = on_disk({})
    assert rules.loads_to_keep(fire(1e-3, 0.1), 0) == {}
    hot = fire(math.sqrt(60.0 * OHM_A) / GAIN, 2.0)
    rules.loads_kept(rules.loads_to_keep(hot, 0))
    assert rules.loads_to_keep(hot, 0) == {}  # the very same promise
    assert rules.loads_to_keep(hot, ns(1.0)) != {}  # by then it has cooled by more than the burst would have
    assert on_disk({}).loads_to_keep(fire(0.5, 1.0), 0) != {}
    assert Rules(UNIT, HEAVY_BENCH, BAY, "output_power").loads_to_keep(hot, 0) == {}  # nothing is connected
