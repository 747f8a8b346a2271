"""The outline of a spectrum, for a picture: of each small part of an octave, or of so many Hz, the largest line.

Nothing is judged by it. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft

from sequencer.analysis.folded import Real
from sequencer.analysis.spectrum import quick_length

PARTS_OF_AN_OCTAVE = 16
DIGITS = 4  # a picture shows no more


@dataclass(frozen=True)
class Outline:
    """Lines as Vrms of a sine that would show as much, rising in Hz."""

    hz: tuple[float, ...]
    vrms: tuple[float, ...]

    def row(self, scale: float = 1.0) -> dict[str, list[float]]:
        """As the results hold it; volts times scale."""
        return {"hz": [_short(hz) for hz in self.hz], "vrms": [_short(scale * v) for v in self.vrms]}

    def row_db(self, reference_vrms: float) -> dict[str, list[float]]:
        """dB re a voltage, to a tenth."""
        floor = 1e-9 * reference_vrms
        db = [20.0 * math.log10(max(v, floor) / reference_vrms) for v in self.vrms]
        return {"hz": [_short(hz) for hz in self.hz], "db": [round(one, 1) for one in db]}


def outline(
    records: Sequence[Real], interval_s: float, band_hz: tuple[float, float], step_hz: float | None = None
) -> Outline:
    """Of equally long records, shape (n,), V at even instants; their powers are averaged. step_hz: even parts of so
    many Hz in the place of parts of an octave.

    Hann window: a line shows its full height where it falls on a bin, and up to 1.4 dB less between two (Harris 1978,
    from memory). ValueError without a record.
    """
    if not records:
        raise ValueError("an outline needs a record")
    n = quick_length(min(record.size for record in records))
    window = np.hanning(n)
    powers = [np.abs(fft.rfft((record[:n] - record[:n].mean()) * window)) ** 2 for record in records]
    # Of a sine of amplitude a on a bin: |X| = a / 2 x sum of the window.
    vrms = np.sqrt(2.0 * np.mean(powers, axis=0)) / float(window.sum())
    hz = np.arange(vrms.size) / (n * interval_s)
    inside = np.flatnonzero((hz >= band_hz[0]) & (hz <= band_hz[1]))
    if inside.size == 0:
        return Outline((), ())
    if step_hz is None:
        places = np.floor(PARTS_OF_AN_OCTAVE * np.log2(hz[inside] / band_hz[0]))
    else:
        places = np.floor((hz[inside] - band_hz[0]) / step_hz)
    firsts = np.flatnonzero(np.diff(places, prepend=-1.0))
    ends = [*firsts[1:], inside.size]
    kept = [
        int(inside[begin + int(np.argmax(vrms[inside[begin:end]]))]) for begin, end in zip(firsts, ends, strict=True)
    ]
    return Outline(tuple(float(hz[i]) for i in kept), tuple(float(vrms[i]) for i in kept))


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")
