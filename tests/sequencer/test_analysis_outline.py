"""Outlines of spectra: lines at their own height and place, however many samples lie between; noise by its density."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.outline import PARTS_OF_AN_OCTAVE, outline

RATE_HZ, N = 100_000.0, 20_000
TIMES = np.arange(N) / RATE_HZ
BAND_HZ = (20.0, 40_000.0)


def sine(frequency_hz: float, rms_v: float) -> np.ndarray:
    wave: np.ndarray = rms_v * math.sqrt(2.0) * np.sin(2.0 * math.pi * frequency_hz * TIMES)
    return wave


def test_two_lines_stand_where_they_are_as_high_as_they_are() -> None:
    """Both on bins of 5 Hz: their heights to 1 %, by the definition of rms."""
    found = outline([sine(50.0, 2e-3) + sine(7000.0, 0.5) + 3.0], 1.0 / RATE_HZ, BAND_HZ)
    seen = dict(zip(found.hz, found.vrms, strict=True))
    assert seen[50.0] == pytest.approx(2e-3, rel=0.01)
    assert seen[7000.0] == pytest.approx(0.5, rel=0.01)
    assert max(v for hz, v in seen.items() if 100.0 < hz < 5000.0) < 1e-5  # Hann falls by 18 dB an octave


def test_a_line_between_two_bins_is_at_most_1_42_db_low() -> None:
    """Scalloping loss of the Hann window: 1.42 dB (Harris 1978, from memory)."""
    found = outline([sine(1002.5, 1.0)], 1.0 / RATE_HZ, BAND_HZ)
    assert -1.45 < 20.0 * math.log10(max(found.vrms)) < -1.38


def test_it_is_short_and_rises() -> None:
    found = outline([np.random.default_rng(1).normal(size=N)], 1.0 / RATE_HZ, BAND_HZ)
    assert all(a < b for a, b in zip(found.hz, found.hz[1:], strict=False))
    assert 50 < len(found.hz) <= PARTS_OF_AN_OCTAVE * math.log2(BAND_HZ[1] / BAND_HZ[0]) + 1
    assert BAND_HZ[0] <= found.hz[0]
    assert found.hz[-1] <= BAND_HZ[1]


def test_averaging_keeps_a_line_and_levels_noise() -> None:
    """White noise of 1 V rms in bins of 5 Hz with Hann's 1.5 bins: sqrt(1.5 x 5 / 50 000) V a line, closed form."""
    rng = np.random.default_rng(2)
    found = outline([rng.normal(size=N) + sine(1000.0, 3.0) for _ in range(40)], 1.0 / RATE_HZ, BAND_HZ)
    seen = dict(zip(found.hz, found.vrms, strict=True))
    assert seen[1000.0] == pytest.approx(3.0, rel=0.01)
    low = [v for hz, v in seen.items() if hz < 100.0]  # few lines in a part: little is gained by taking the largest
    assert np.mean(low) == pytest.approx(math.sqrt(1.5 * 5.0 / 50_000.0), rel=0.15)


def test_as_the_results_hold_it() -> None:
    found = outline([sine(1000.0, 0.1)], 1.0 / RATE_HZ, (900.0, 1100.0))
    assert max(found.row(1e6)["vrms"]) == pytest.approx(1e5, rel=0.01)
    assert max(found.row_db(1.0)["db"]) == pytest.approx(-20.0, abs=0.1)
    assert outline([sine(1000.0, 0.1)], 1.0 / RATE_HZ, (60_000.0, 90_000.0)).hz == ()
    with pytest.raises(ValueError, match="needs a record"):
        outline([], 1.0, BAND_HZ)
