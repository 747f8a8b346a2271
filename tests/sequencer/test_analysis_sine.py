"""Sine fits against certified data, a worked set and the exact Fisher information."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sequencer.analysis.sine import fit_four, fit_three

# NIST Statistical Reference Datasets, univariate set "Lew" (public domain).
LEW = np.loadtxt(Path(__file__).parent / "data" / "lew.txt").reshape(-1)
LEW_T = np.arange(1.0, 201.0)
SMALL = np.array(
    [
        *(1.1043, 0.7395, 0.2855, -0.184, -0.6158, -0.9365, -1.1528, -1.192, -1.0674, -0.7886),
        *(-0.3971, 0.0498, 0.5214, 0.9297, 1.2282, 1.3862, 1.3744, 1.2124, 0.8785, 0.4616),
    ]
)


def test_data_are_the_certified_set() -> None:
    """NIST StRD Lew: certified mean -177.4350000000000, standard deviation 277.332168044316."""
    assert LEW.mean() == pytest.approx(-177.435, abs=1e-12)
    assert LEW.std(ddof=1) == pytest.approx(277.332168044316, rel=1e-13)


@pytest.mark.parametrize("start", [0.3005, 0.3018, 0.3025])
def test_four_unknowns_on_the_certified_set(start: float) -> None:
    """Least squares over all four unknowns, found by another program on the same data: every start ends there."""
    fit = fit_four(LEW, LEW_T, start)
    assert fit.amplitude_v == pytest.approx(343.2885654, abs=2e-7)
    assert fit.offset_v == pytest.approx(-178.7681575, abs=2e-7)
    assert fit.frequency_hz == pytest.approx(0.3018070361, abs=2e-10)
    assert 200 * fit.residual_rms_v**2 == pytest.approx(3522864.7725, abs=1e-3)
    turn = 2 * np.pi * fit.frequency_hz
    cosine, sine = fit.amplitude_v * np.cos(fit.phase_rad), -fit.amplitude_v * np.sin(fit.phase_rad)
    assert (cosine, sine) == (pytest.approx(-332.0248621, abs=1e-5), pytest.approx(87.2154235, abs=1e-5))
    left = LEW - fit.offset_v - cosine * np.cos(turn * LEW_T) - sine * np.sin(turn * LEW_T)
    assert np.sqrt(left @ left / 196) == pytest.approx(134.0664009, abs=1e-6)


@pytest.mark.parametrize(
    ("frequency", "amplitude", "offset", "deviation"),
    [(0.3, 286.5557187, -177.435, 189.7673591), (0.3025, 333.9110562, -178.8235615, 145.2538375)],
)
def test_three_unknowns_on_the_certified_set(
    frequency: float, amplitude: float, offset: float, deviation: float
) -> None:
    """Linear least squares of another program on the same data; deviation divides by N - 3."""
    fit = fit_three(LEW, LEW_T, frequency)
    assert fit.amplitude_v == pytest.approx(amplitude, abs=1e-6)
    assert fit.offset_v == pytest.approx(offset, abs=1e-6)
    assert fit.residual_rms_v * np.sqrt(200 / 197) == pytest.approx(deviation, abs=1e-6)


def test_small_set() -> None:
    """Twenty readings, t = i/20 s; both fits worked by another least-squares program to ten digits."""
    t = np.arange(20) / 20
    three, four = fit_three(SMALL, t, 1.15), fit_four(SMALL, t, 1.15)
    assert three.amplitude_v == pytest.approx(1.3011582387, abs=2e-10)
    assert three.phase_rad == pytest.approx(0.7041028296, abs=2e-10)
    assert three.offset_v == pytest.approx(0.1023090592, abs=2e-10)
    assert three.residual_rms_v == pytest.approx(0.0058681295, abs=2e-10)
    assert four.frequency_hz == pytest.approx(1.1508268639, abs=2e-9)
    assert four.amplitude_v == pytest.approx(1.3013290865, abs=2e-9)
    assert four.phase_rad == pytest.approx(0.7017425269, abs=2e-8)
    assert four.offset_v == pytest.approx(0.1019198294, abs=2e-9)
    assert four.residual_rms_v == pytest.approx(0.0056921035, abs=2e-10)


def exact_bound(n: int, theta: float, phase: float, sigma: float) -> np.ndarray:
    """Inverse Fisher information of (A, phase, C, w) for A = 1 in white noise; w in rad a sample."""
    i = np.arange(n)
    angle = theta * i + phase
    slopes = np.stack([np.cos(angle), -np.sin(angle), np.ones(n), -i * np.sin(angle)], axis=1)
    return np.asarray(np.diag(np.linalg.inv(slopes.T @ slopes)) * sigma**2)


def test_the_bound_itself() -> None:
    """Rife and Boorstyn 1974 (many cycles): 2 s^2/N, 4 s^2(2N-1)/(A^2 N(N+1)), s^2/N, 24 s^2/(A^2 N(N^2-1)),
    within 1 %.
    """
    n, s = 1000, 0.01
    many = [2 * s**2 / n, 4 * s**2 * (2 * n - 1) / (n * (n + 1)), s**2 / n, 24 * s**2 / (n * (n**2 - 1))]
    assert exact_bound(n, 2 * np.pi * 0.0513, 0.4, s) == pytest.approx(many, rel=0.01)


@pytest.mark.parametrize(("samples", "cycles"), [(200, 1.0), (200, 1.5), (200, 5.0), (1000, 2.0), (1000, 20.4)])
def test_four_unknowns_reach_the_bound(samples: int, cycles: float) -> None:
    """Mean squared error over the exact Fisher bound is 1; 0.88 to 1.13 leave 0.01 % to chance in 2,000 trials."""
    rng = np.random.default_rng(samples + int(10 * cycles))
    theta, sigma, trials = 2 * np.pi * cycles / samples, 0.01, 2000
    t = np.arange(samples, dtype=np.float64)
    errors, bounds = np.zeros((trials, 4)), np.zeros((trials, 4))
    for trial in range(trials):
        phase = rng.uniform(-3.0, 3.0)
        y = np.cos(theta * t + phase) + 0.1 + sigma * rng.standard_normal(samples)
        fit = fit_four(y, t, theta / (2 * np.pi) * (1 + 0.002 / cycles * rng.standard_normal()))
        turned = np.angle(np.exp(1j * (fit.phase_rad - phase)))
        errors[trial] = fit.amplitude_v - 1, turned, fit.offset_v - 0.1, 2 * np.pi * fit.frequency_hz - theta
        bounds[trial] = exact_bound(samples, theta, phase, sigma)
    ratio = (errors**2 / bounds).mean(axis=0)
    assert np.all((ratio > 0.88) & (ratio < 1.13)), ratio


@pytest.mark.parametrize("cycles", [1.0, 2.0, 5.25, 20.4])
def test_a_start_a_quarter_cycle_off_settles(cycles: float) -> None:
    """Whatever the phase and side: the true frequency is the only rest within a quarter cycle over the record."""
    t = np.arange(400) / 400
    for phase in np.linspace(0.0, 6.0, 9):
        for off in (-0.25, 0.25):
            fit = fit_four(0.1 + np.cos(2 * np.pi * cycles * t + phase), t, cycles + off)
            assert fit.frequency_hz == pytest.approx(cycles, rel=1e-9)


def test_no_sine_is_said() -> None:
    """A constant has no frequency to settle on, and two samples no three unknowns."""
    with pytest.raises(ValueError, match="three"):
        fit_three(np.ones(2), np.arange(2.0), 0.1)
    with pytest.raises(ValueError, match="four"):
        fit_four(np.ones(3), np.arange(3.0), 0.1)
