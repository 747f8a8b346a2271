"""The quick ways of the analysis against the plain ones: full columns and orthogonal least squares, sums sample by
sample, a spectrum by its definition."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.lib.stride_tricks import sliding_window_view
from scipy import integrate, optimize

from sequencer.analysis.burst import read_burst
from sequencer.analysis.cycles import CREST_SHARE, INSET, span
from sequencer.analysis.folded import Folded, Harmonics, terms_for
from sequencer.analysis.harmonics import fit_and_rest, fit_harmonics
from sequencer.analysis.spectrum import band_lines, spectrum
from tests.sequencer.analysis_waves import Converter, Real, burst, clipped


def full_columns(times_s: Real, frequency_hz: float, harmonics: int) -> Real:
    angle = 2 * np.pi * frequency_hz * times_s[:, None] * np.arange(1, harmonics + 1)
    return np.hstack([np.ones((times_s.size, 1)), np.cos(angle), np.sin(angle)])


def plainly(volts: Real, times_s: Real, frequency_hz: float, harmonics: int) -> tuple[Real, Real]:
    """(unknowns, what is left) by numpy.linalg.lstsq."""
    columns = full_columns(times_s, frequency_hz, harmonics)
    best = np.linalg.lstsq(columns, volts, rcond=None)[0]
    return best, volts - columns @ best


@pytest.mark.parametrize("per_cycle", [97.3, 1000.0, 4761.9])
@pytest.mark.parametrize("bits", [8, 16])
def test_every_cycle_of_a_burst(per_cycle: float, bits: int) -> None:
    """Each row of the table: numpy.linalg.lstsq on the samples of its window; mean and rms by scipy's trapezoid over
    the period cut at straight lines; crests by the definition, one window after the other."""
    wave = clipped(burst(1000.0, 20), -1.0, 0.97, 1.03)
    record = Converter(bits, 1.2, seed=3).record(wave, 1000.0, 20, per_cycle=per_cycle, phase=0.4, clock_ppm=70.0)
    reading = read_burst(record, 1000.0, 20)
    hz, times = reading.frequency_hz, record.times_s
    width = 2 * int(per_cycle / (2 * CREST_SHARE)) + 1
    for row in reading.rows[:-1]:  # the last one's residual is that of a fit to more harmonics
        begin_s, end_s = row.start_s, row.start_s + 1.0 / hz
        part = span(record, begin_s + INSET / hz, end_s - INSET / hz)
        best, left = plainly(record.volts[part], times[part], hz, 20)
        assert row.fit.phasors == pytest.approx(best[1:21] - 1j * best[21:], abs=1e-12)
        assert row.fit.offset_v == pytest.approx(best[0], abs=1e-12)
        assert row.fit.residual_rms_v == pytest.approx(math.sqrt(left @ left / (left.size - 41)), rel=1e-8)
        inside = times[(times > begin_s) & (times < end_s)]
        knots = np.concatenate([[begin_s], inside, [end_s]])
        volts = np.interp(knots, times, record.volts)
        mean = float(integrate.trapezoid(volts, knots)) * hz
        assert row.offset_v == pytest.approx(mean, abs=2e-4 * 1000.0 / per_cycle)  # ends by lines, not by halves
        assert row.rms_ac_v == pytest.approx(
            math.sqrt(float(integrate.trapezoid((volts - mean) ** 2, knots)) * hz), rel=2e-3
        )
        means = sliding_window_view(record.volts[span(record, begin_s, end_s)], width).mean(axis=1)
        assert [row.crest_pos_v, row.crest_neg_v] == pytest.approx([means.max(), means.min()], abs=1e-12)


@pytest.mark.parametrize("per_cycle", [60.0, 700.0, 4761.9])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_the_frequency_is_that_of_least_squares(per_cycle: float, noise: float) -> None:
    """The sum of squares that numpy.linalg.lstsq leaves, as a function of frequency, is least there (scipy's bounded
    search over 1e-9 of it), and the packed sums have nothing left to correct."""
    random = np.random.default_rng(4)
    t = np.arange(int(6 * per_cycle)) / per_cycle / 1000.0
    y = np.clip(np.sin(2 * np.pi * 1000.0 * t + 0.3), -0.9, 2.0) + noise * random.standard_normal(t.size)
    fit = fit_harmonics(y, t, 1000.1, 20, solve_frequency=True)

    def squares(hz: float) -> float:
        left = plainly(y, t, hz, 20)[1]
        return float(left @ left)

    # About the least of a parabola, differences across it say where it lies more sharply than its bottom does.
    apart = 1e-4 * fit.frequency_hz
    best = optimize.brentq(
        lambda hz: squares(hz + apart) - squares(hz - apart), fit.frequency_hz - 1, fit.frequency_hz + 1
    )
    assert fit.frequency_hz == pytest.approx(best, rel=1e-7)


@pytest.mark.parametrize("x", [0.5, 3.3, 12.0, 40.0])
def test_packed_rows_hold_what_is_asked_of_them(x: float) -> None:
    """Sums and moments of 1,500 samples by their definition; x: highest harmonic's phase from a row's middle to its
    end. 1e-13 of the largest that they could be."""
    random = np.random.default_rng(1)
    k, n = 20, 1500
    theta = x / (k * 128.0)
    volts, i = random.standard_normal(n), np.arange(n) - (n - 1) / 2.0
    rows = Folded.of(volts)
    basis = Harmonics(theta, n, k)
    waves = np.exp(1j * theta * np.arange(k + 1)[:, None] * i)
    assert terms_for(theta, k) < 256
    for folded in (rows, rows.packed(theta, k)):
        sums, moments = basis.sums_and_moments(folded)
        assert np.abs(sums - waves @ volts).max() < 1e-13 * n
        assert np.abs(moments - waves @ (i * volts)).max() < 1e-13 * n * n


def test_the_rest_of_a_fit() -> None:
    """numpy.linalg.lstsq: the rest, and its size also where it is so small that a difference of squares would be
    rounding."""
    t = np.arange(3001) / 1e6
    for noise in (1e-2, 1e-7):
        y = 1.0 + np.sin(2 * np.pi * 1000.0 * t) + noise * np.random.default_rng(2).standard_normal(t.size)
        left = plainly(y, t, 1000.0, 20)[1]
        fit, rest = fit_and_rest(y, 0.0, 1e-6, 1000.0, 20)
        assert np.abs(rest - left).max() < 1e-12
        told = math.sqrt(left @ left / (t.size - 41))
        assert fit.residual_rms_v == pytest.approx(told, rel=1e-6)
        assert fit_harmonics(y, t, 1000.0, 20).residual_rms_v == pytest.approx(told, rel=1e-6)


@pytest.mark.parametrize("samples", [40, 41])
def test_lines_of_a_band(samples: int) -> None:
    """The sum by definition of a discrete Fourier transform, and Parseval's theorem."""
    volts, dt = np.random.default_rng(6).standard_normal(samples), 1e-3
    hz, lines = spectrum(volts, dt)
    k = np.arange(samples // 2 + 1)
    sums = np.abs(np.exp(-2j * np.pi * np.outer(k, np.arange(samples)) / samples) @ volts / samples) ** 2
    twice = np.where((k == 0) | (2 * k == samples), 1.0, 2.0)
    assert lines == pytest.approx(twice * sums, rel=1e-10, abs=1e-15)
    assert hz == pytest.approx(k / (samples * dt), rel=1e-12)
    assert lines.sum() == pytest.approx(np.mean(volts**2), rel=1e-12)
    for band in ((0.0, 1e9), (100.0, 300.0), (hz[3], hz[7]), (1.0, 2.0)):
        inside = (hz >= band[0]) & (hz <= band[1]) & (hz > 0.0)
        seen_hz, seen = band_lines(volts, dt, band)
        assert seen_hz.tolist() == hz[inside].tolist()
        assert seen.tolist() == lines[inside].tolist()
