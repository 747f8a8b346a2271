"""The joint fit against Fourier series in closed form and against orthogonal least squares."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.harmonics import fit_harmonics, harmonics_in_band
from tests.sequencer.analysis_waves import Real, Wave, whole_cycles


def of_wave(wave: Wave, harmonics: int, samples: int = 1 << 14) -> tuple[float, float]:
    """(THD(F) of harmonics up to K, rms of all) of one evenly sampled cycle."""
    volts = whole_cycles(wave, samples)
    fit = fit_harmonics(volts, np.arange(samples) / samples, 1.0, harmonics)
    return fit.thd_f, float(np.sqrt(np.mean((volts - volts.mean()) ** 2)))


@pytest.mark.parametrize(
    ("name", "wave", "total"),
    [
        ("square", lambda a: np.sign(np.sin(a + 1e-4)), math.sqrt(math.pi**2 / 8 - 1)),
        ("triangle", lambda a: np.arcsin(np.sin(a)), math.sqrt(math.pi**4 / 96 - 1)),
        ("sawtooth", lambda a: (a + 1e-4) % (2 * math.pi), math.sqrt(math.pi**2 / 6 - 1)),
    ],
)
def test_textbook_waves(name: str, wave: Wave, total: float) -> None:
    """Sums of 1/n^2 and 1/n^4 (Basel sums): THD(F) of all harmonics 48.342585, 12.115293, 80.307787 %.

    A fit to K = 100 lacks the tail above, whose size is the integral of the same series.
    """
    thd, _ = of_wave(wave, 100)
    orders = np.arange(101.0, 1e6)
    tail = {"square": (orders[::2] ** -2.0), "triangle": (orders[::2] ** -4.0), "sawtooth": orders**-2.0}[name].sum()
    assert math.hypot(thd, math.sqrt(tail)) == pytest.approx(total, abs=2e-5)


def test_thd_r_of_the_square_wave() -> None:
    """THD(R) = THD(F)/sqrt(1 + THD(F)^2); square: 43.523618 % from 48.342585 % (closed form)."""
    volts = np.array([1.0, 0.48342585])
    t = np.arange(4096) / 4096
    fit = fit_harmonics(volts[0] * np.sin(2 * np.pi * t) + volts[1] * np.sin(6 * np.pi * t), t, 1.0, 5)
    assert fit.thd_f == pytest.approx(0.48342585, abs=1e-12)
    assert fit.thd_r == pytest.approx(0.43523618, abs=1e-8)


@pytest.mark.parametrize("cycles", [0.98, 1.0, 1.37, 3.3, 20.4])
@pytest.mark.parametrize("solve", [False, True])
def test_content_within_k_is_found_exactly(cycles: float, solve: bool) -> None:
    """Any window, offset, phases: what was put in comes out (linear least squares is exact on its own model)."""
    rng = np.random.default_rng(7)
    true = 0.02 * (rng.standard_normal(20) + 1j * rng.standard_normal(20))
    true[0] = 2.0 - 1.0j
    t = -3e-4 + np.arange(1777) / 1777 * cycles / 1000.0
    y = 0.3 + sum((p * np.exp(2j * np.pi * 1000.0 * (n + 1) * t)).real for n, p in enumerate(true))
    fit = fit_harmonics(y, t, 1000.0 * (1 + (1e-3 / cycles if solve else 0.0)), 20, solve_frequency=solve)
    assert fit.frequency_hz == pytest.approx(1000.0, rel=1e-11)
    assert np.abs(fit.phasors - true).max() < 1e-9
    assert fit.offset_v == pytest.approx(0.3, abs=1e-10)
    assert fit.residual_rms_v < 1e-10
    assert np.abs(fit.wave(t) - y).max() < 1e-9


def test_agrees_with_orthogonal_least_squares_in_noise() -> None:
    """Reference: numpy.linalg.lstsq (orthogonal) on the full columns, 5,003 samples that fill no whole row."""
    rng = np.random.default_rng(3)
    t = np.arange(5003) / 51_300.0
    y = np.sin(2 * np.pi * 1000 * t) + 0.02 * np.sin(2 * np.pi * 3000 * t) + 0.1 * rng.standard_normal(t.size)
    orders = 2 * np.pi * 1000.0 * np.arange(1, 21)
    columns = np.hstack([np.ones((t.size, 1)), np.cos(t[:, None] * orders), np.sin(t[:, None] * orders)])
    best, squares, *_ = np.linalg.lstsq(columns, y, rcond=None)
    fit = fit_harmonics(y, t, 1000.0, 20)
    assert fit.phasors == pytest.approx(best[1:21] - 1j * best[21:], abs=1e-13)
    assert fit.residual_rms_v == pytest.approx(math.sqrt(squares[0] / (t.size - 41)), rel=1e-12)


def test_a_clipped_wave_in_a_band() -> None:
    """Fourier series of the sine clipped at 0.971360054 of its peak: harmonics to the 19th are 1.000000 % (closed
    form).
    """
    thd, rms = of_wave(lambda a: np.clip(np.sin(a), -0.971360054, 0.971360054), 20)
    assert thd == pytest.approx(0.01, abs=1e-7)
    assert 2 * rms**2 / 0.971360054**2 == pytest.approx(1.0476998, abs=1e-6)


@pytest.mark.parametrize(("cycles", "most_pp"), [(1.5, 3e-3), (5.0, 1e-3), (20.4, 3e-4)])
def test_a_whole_clipped_wave_in_any_window(cycles: float, most_pp: float) -> None:
    """The banded closed form again (1 %): harmonics above K leak in less the longer the window is, frequency
    unknown."""
    worst = 0.0
    for phase in np.linspace(0.0, 6.0, 13):
        t = np.arange(5000) / 5000 * cycles / 1000.0
        y = np.clip(np.sin(2 * np.pi * 1000.0 * t + phase), -0.971360054, 0.971360054)
        fit = fit_harmonics(y, t, 1000.0, 20, solve_frequency=True)
        worst = max(worst, abs(100.0 * fit.thd_f - 1.0))
    assert worst < most_pp


@pytest.mark.parametrize(
    ("frequency", "wanted", "edge", "k"),
    [
        (1000.0, 20, 20e3, 20),
        (1000.0, 20, 19.9e3, 19),
        (7000.0, 20, 20e3, 2),
        (15e3, 20, 20e3, 1),
        (50.0, 20, 20e3, 20),
    ],
)
def test_k_is_cut_to_the_band(frequency: float, wanted: int, edge: float, k: int) -> None:
    """K f must not exceed the band's edge (definition of a band); the 20th of 1 kHz is in 20 kHz."""
    assert harmonics_in_band(frequency, wanted, (20.0, edge)) == k


@pytest.mark.parametrize("wrong", ["few", "fast", "uneven", "noise"])
def test_what_cannot_be_fitted_is_refused(wrong: str) -> None:
    """Fewer samples than unknowns, harmonics above half the rate (Nyquist), uneven times, no tone to settle on."""
    t = np.arange(2000) / 1e5
    y: Real = np.sin(2 * np.pi * 1000 * t)
    hz, solve = 1000.0, False
    if wrong == "few":
        t, y = t[:40], y[:40]
    elif wrong == "fast":
        hz = 2501.0
    elif wrong == "uneven":
        t = t + 1e-7 * np.sin(t * 1e5)
    else:
        y, solve = np.random.default_rng(0).standard_normal(2000), True
        y -= y.mean()
    with pytest.raises(ValueError, match=r"few|half the sample rate|evenly|frequency"):
        fit_harmonics(y, t, hz, 20, solve_frequency=solve)
