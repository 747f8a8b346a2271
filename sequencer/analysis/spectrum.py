"""The spectrum of a record without a window, and what of it lies in a band: sums of lines by Parseval's theorem.

A band here is ideal: lines from its lower to its upper edge count whole, all others not at all. An edge therefore
lies within half a line (1/2T for a record of T s) of where it is said to be.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import fft

from sequencer.analysis.folded import Real


def spectrum(volts: Real, dt: float) -> tuple[Real, Real]:
    """(Hz, V^2) of every line from dc to half the sample rate; volts: shape (n,), dt: s. Sums to the mean square."""
    return _lines(volts, dt, (0.0, math.inf))


def band_lines(volts: Real, dt: float, band_hz: tuple[float, float]) -> tuple[Real, Real]:
    """`spectrum` from edge to edge of the band, both included, dc never."""
    hz, lines = _lines(volts, dt, band_hz)
    return (hz[1:], lines[1:]) if hz.size and hz[0] == 0.0 else (hz, lines)


def _lines(volts: Real, dt: float, band_hz: tuple[float, float]) -> tuple[Real, Real]:
    """Only the lines asked for are squared: a band is often a hundredth of what the sample rate holds."""
    bins = fft.rfft(volts)
    hz: Real = np.arange(bins.size) / (volts.size * dt)
    wanted = slice(int(np.searchsorted(hz, band_hz[0])), int(np.searchsorted(hz, band_hz[1], side="right")))
    found = bins[wanted]
    lines: Real = (found.real**2 + found.imag**2) * (2.0 / volts.size**2)
    if wanted.start == 0 and found.size:
        lines[0] /= 2.0
    if wanted.stop == bins.size and found.size and volts.size % 2 == 0:
        lines[-1] /= 2.0  # the line at half the sample rate stands once
    return hz[wanted], lines


def quick_length(samples: int) -> int:
    """Longest length not above `samples` that transforms quickly: a prime length costs ten times as much."""
    return int(fft.prev_fast_len(samples, real=True))
