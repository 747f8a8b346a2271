"""Idle current from known currents over time: means by arithmetic, settling from the slope of an exponential."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from sequencer.measurements.idle_current import idle_current
from sequencer.measurements.idle_watch import rising_pct, slope_pct_per_min
from sequencer.measurements.values import Expected, Values
from tests.sequencer.paper_values import PaperBench, drive, job

WINDOW = Expected(idle_window_a=(0.9, 1.4))


def measured(
    amps: Callable[[float], float] | float, wait: str = "cold", expected: Expected = WINDOW, **bench: object
) -> tuple[Values, PaperBench]:
    drawn = amps if callable(amps) else lambda t_s: amps
    on = PaperBench(amps=drawn, **bench)  # type: ignore[arg-type]
    return drive(idle_current(job("idle_current", "AB", expected=expected, wait=wait)), on), on


def settling(end_a: float, start_a: float, tau_s: float) -> Callable[[float], float]:
    return lambda t_s: end_a + (start_a - end_a) * math.exp(-t_s / tau_s)


def test_mean_of_ten_windows_and_nothing_fired() -> None:
    """The mean of equal readings; the unit as a whole, so no channel; no signal at all."""
    found, bench = measured(1.12, noise_a=0.0025)
    (value,) = found.values
    assert value.value == pytest.approx(1.12, abs=4 * 0.0025 / math.sqrt(10))
    assert (value.unit, value.channel, value.judgement) == ("A", None, "within")
    assert (bench.readings, bench.fired, bench.quiet) == (10, [], [])
    assert (found.findings, found.no_drive, found.trip) == ((), None, None)


def test_uncertainty_of_repeat_readings() -> None:
    """s / sqrt(10) times Student's t for 9 degrees of freedom, 2.262 at 95 % (JCGM 100, table G.2)."""
    found, _ = measured(1.12, noise_a=0.01, seed=4)
    noise = [float(np.random.default_rng([4, n]).normal(0.0, 0.01)) for n in range(1, 11)]
    (value,) = found.values
    assert value.coverage_factor == pytest.approx(2.262, abs=0.001)
    assert value.expanded_uncertainty == pytest.approx(2.262 * np.std(noise, ddof=1) / math.sqrt(10), rel=0.001)


@pytest.mark.parametrize(
    ("amps", "judgement"), [(0.85, "outside"), (0.95, "within"), (1.35, "within"), (1.45, "outside"), (2.05, "outside")]
)
def test_judged_against_the_unit_s_window(amps: float, judgement: str) -> None:
    """0.9 to 1.4 A; up to 1.5 x 1.4 = 2.1 A the unit may still be driven."""
    found, _ = measured(amps)
    assert found.values[0].judgement == judgement
    assert found.no_drive is None


def test_without_a_window_it_is_recorded_and_not_judged() -> None:
    found, _ = measured(5.0, expected=Expected())
    assert (found.values[0].value, found.values[0].judgement) == (pytest.approx(5.0), None)
    assert "recorded, not judged" in str(found.values[0].reason)
    assert (found.findings, found.no_drive) == ((), None)


@pytest.mark.parametrize("wait", ["cold", "warm"])
def test_far_above_the_window_it_is_not_driven_and_ends_soon(wait: str) -> None:
    """Above 1.5 x the window's upper end (common practice, no source): told, not a trip, and no 45 minutes of it."""
    found, bench = measured(2.2, wait)
    assert [f.kind for f in found.findings] == ["no drive"]
    assert found.no_drive is not None
    assert found.trip is None
    assert found.values[0].value == pytest.approx(2.2)
    assert found.values[0].judgement != "within"
    assert bench.now_s < 60.0


def test_a_supply_in_current_limit_without_signal_means_no_drive() -> None:
    found, _ = measured(1.0, limited=True)
    assert found.no_drive is not None
    assert "current limit" in found.no_drive


def test_a_supply_that_tripped_is_a_trip() -> None:
    found, _ = measured(1.0, tripped="over_current")
    assert found.trip is not None
    assert "over current" in found.trip


@pytest.mark.parametrize(("per_minute", "trips"), [(0.15, False), (0.30, True)])
def test_a_runaway_trips(per_minute: float, trips: bool) -> None:
    """+20 % within 60 s (common practice, no source), from a current that grows by so much a minute."""
    found, bench = measured(
        lambda t_s: 0.2 * (1.0 + per_minute) ** (t_s / 60.0), "warm", Expected(idle_window_a=(0.1, 400.0))
    )
    assert (found.trip is not None) == trips
    if trips:
        assert bench.now_s < 90.0  # it reaches + 20 % after 42 s, and is seen at the third reading above


def test_noise_of_a_small_current_is_no_runaway() -> None:
    """20 mA read with 2.5 mA of noise for 45 minutes: 12 % a reading, and no trip."""
    for seed in range(5):
        found, _ = measured(0.02, "warm", Expected(), noise_a=0.0025, seed=seed)
        assert found.trip is None


def test_warm_is_not_before_ten_minutes() -> None:
    """A current that never moves is warm at 10 minutes, not sooner (10 to 45 min: common practice, no source)."""
    found, bench = measured(1.1, "warm")
    value, after = found.values
    assert value.judgement == "within"
    assert after.value == pytest.approx(600.0, abs=15.0)
    assert 600.0 <= bench.now_s < 640.0


def test_warm_when_an_exponential_has_flattened() -> None:
    """I = Ie (1 + r exp(-t/T)): its slope is -Ie r/T exp(-t/T), below 2 % of I a minute from
    t = T ln(r (1/s - 1)), s = 2 % a minute times T; all three minutes before must be below it: 3 minutes later.
    """
    tau_s, end_a, start_a = 600.0, 1.0, 2.0
    share, s = start_a / end_a - 1.0, 0.02 / 60.0 * tau_s
    expected_s = tau_s * math.log(share * (1.0 / s - 1.0)) + 180.0
    found, _ = measured(settling(end_a, start_a, tau_s), "warm", Expected(idle_window_a=(0.5, 1.9)))
    value, after = found.values
    assert after.value == pytest.approx(expected_s, abs=45.0)  # a minute's slope is that of its middle
    assert value.value == pytest.approx(settling(end_a, start_a, tau_s)(float(after.value or 0) + 5.0), rel=0.01)
    assert (value.judgement, found.findings) == ("within", ())


def test_what_never_settles_is_recorded_and_told() -> None:
    """+3 % a minute for 45 minutes: recorded, not judged, told; at most 45 minutes and the ten windows."""
    found, bench = measured(lambda t_s: 0.5 * 1.03 ** (t_s / 60.0), "warm", Expected(idle_window_a=(0.1, 9.0)))
    value, after = found.values
    assert value.judgement is None
    assert after.value is None
    assert [f.kind for f in found.findings] == ["idle current unsettled"]
    assert 2700.0 <= bench.now_s < 2760.0


def test_slope_of_a_line() -> None:
    """1 A at its middle, +0.05 A a minute: 5 % a minute."""
    line = [(float(t), 1.0 + 0.05 * (t - 30) / 60) for t in range(0, 61, 10)]
    assert slope_pct_per_min(line) == pytest.approx(5.0)


def test_rise_needs_more_than_one_odd_reading() -> None:
    odd = [(float(10 * n), 1.0) for n in range(6)] + [(60.0, 1.5)]
    assert rising_pct(odd) is None
    assert rising_pct([*odd, (70.0, 1.5), (80.0, 1.5)]) == pytest.approx(50.0)
