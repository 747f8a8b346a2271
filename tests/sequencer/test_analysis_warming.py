"""The exponential of one RC, fitted: against the closed form, and its stated spread against repeated noise."""

from __future__ import annotations

import numpy as np
import pytest

from sequencer.analysis.warming import Warming, fit_warming


def test_published_example() -> None:
    """1.2 K/W, 500 J/K (tau 600 s), 50 W at 25 degC: the closed form T = Ta + P R (1 - exp(-t/RC)) gives these."""
    times = np.array([60.0, 300.0, 600.0, 900.0, 1200.0, 1500.0, 1800.0, 2400.0, 3600.0])
    celsius = 25.0 + 60.0 * -np.expm1(-times / 600.0)
    for t, c in ((60.0, 30.7098), (300.0, 48.6082), (600.0, 62.9272), (1800.0, 82.0128), (3600.0, 84.8513)):
        assert celsius[times == t][0] == pytest.approx(c, abs=5e-5)
    fit = fit_warming(times, celsius)
    assert fit is not None
    assert (fit.end_c, fit.tau_s, fit.start_c) == (
        pytest.approx(85.0, abs=1e-4),
        pytest.approx(600.0, abs=0.01),
        pytest.approx(25.0, abs=1e-3),
    )
    assert fit.reached == pytest.approx(0.99752, abs=1e-4)  # 1 - exp(-6)
    assert fit.at(600.0) == pytest.approx(62.9272, abs=1e-3)


@pytest.mark.parametrize("tau_s", [90.0, 600.0, 1500.0, 3000.0])
def test_any_time_constant_without_noise(tau_s: float) -> None:
    """The closed form again; falling curves too."""
    times = np.arange(60.0, 2700.0, 30.0)
    for rise_k in (30.0, -12.0):
        fit = fit_warming(times, 40.0 + rise_k * -np.expm1(-times / tau_s))
        assert fit is not None
        assert (fit.tau_s, fit.end_c) == (
            pytest.approx(tau_s, rel=1e-4),
            pytest.approx(40.0 + rise_k, abs=0.01),
        )


def test_stated_spread_is_that_of_repeated_noise() -> None:
    """200 curves with 0.1 K of white noise: the scatter of the fits is what each of them states, within a fifth."""
    times = np.arange(60.0, 2700.0, 30.0)
    clean = 25.0 + 40.0 * -np.expm1(-times / 600.0)
    fits: list[Warming] = []
    for seed in range(200):
        fit = fit_warming(times, clean + np.random.default_rng(seed).normal(0.0, 0.1, times.size))
        assert fit is not None
        fits.append(fit)
    assert np.std([f.end_c for f in fits]) == pytest.approx(np.mean([f.end_u_k for f in fits]), rel=0.2)
    assert np.std([f.tau_s for f in fits]) == pytest.approx(np.mean([f.tau_u_s for f in fits]), rel=0.2)
    assert np.mean([f.end_c for f in fits]) == pytest.approx(65.0, abs=0.03)
    assert np.mean([f.left_rms_k for f in fits]) == pytest.approx(0.1, rel=0.1)


def test_a_straight_line_has_no_end() -> None:
    times = np.arange(0.0, 600.0, 20.0)
    assert fit_warming(times, 25.0 + times / 60.0) is None


def test_readings_that_do_not_move_or_are_too_few_tell_nothing() -> None:
    assert fit_warming(np.arange(20.0), np.full(20, 25.0)) is None
    assert fit_warming(np.arange(5.0), np.arange(5.0)) is None
