"""The spectrum of a record without a window, and what of it lies in a band: sums of lines by Parseval's theorem.

A band here is ideal: lines from its lower to its upper edge count whole, all others not at all. An edge therefore
lies within half a line (1/2T for a record of T s) of where it is said to be.
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from sequencer.analysis.folded import Real


def spectrum(volts: Real, dt: float) -> tuple[Real, Real]:
    """(Hz, V^2) of every line from dc to half the sample rate; volts: shape (n,), dt: s. Sums to the mean square."""
    lines = np.abs(fft.rfft(volts)) ** 2 * (2.0 / volts.size**2)
    lines[0] /= 2.0
    if volts.size % 2 == 0:
        lines[-1] /= 2.0  # the line at half the sample rate stands once
    hz: Real = np.arange(lines.size) / (volts.size * dt)
    return hz, lines


def band_lines(volts: Real, dt: float, band_hz: tuple[float, float]) -> tuple[Real, Real]:
    """`spectrum` from edge to edge of the band, both included, dc never."""
    hz, lines = spectrum(volts, dt)
    inside = (hz >= band_hz[0]) & (hz <= band_hz[1]) & (hz > 0.0)
    return hz[inside], lines[inside]


def quick_length(samples: int) -> int:
    """Longest length not above `samples` that transforms quickly: a prime length costs ten times as much."""
    return int(fft.prev_fast_len(samples, real=True))
