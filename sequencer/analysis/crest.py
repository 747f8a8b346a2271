"""What lies on the crests of a burst and not at its zero crossings: an output stage that oscillates near its limits.

A carrier or plain noise is as large at the crossings; a clip's corners lie outside the part of the crest read here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.harmonics import HarmonicFit
from sequencer.analysis.records import Record

SAMPLES_PER_CYCLE = 200  # fewer, and the tone itself bends within the smoothing
CREST_FROM, CROSSING_TO = 0.985, 0.5  # of the fundamental's peak: within 10 degrees of it; within 30 of a crossing
# Savitzky and Golay, 1964: the middle of a parabola through 11 even samples, in 429ths.
PARABOLA = np.array([-36.0, 9.0, 44.0, 69.0, 84.0, 89.0, 84.0, 69.0, 44.0, 9.0, -36.0]) / 429.0


@dataclass(frozen=True)
class CrestResidue:
    """rms of what is quicker than a parabola through 11 samples, V: on the crests of one side (the larger one), and
    at the zero crossings."""

    crest_v: float
    crossing_v: float


def crest_residue(record: Record, start_s: float, cycles: int, tone: HarmonicFit) -> CrestResidue | None:
    """tone: of any cycle of the burst, phasors at the trigger's time zero. None where samples are too sparse."""
    if SAMPLES_PER_CYCLE * tone.frequency_hz * record.sample_interval_s > 1.0 or tone.amplitude_v <= 0.0:
        return None
    quick = record.volts - np.convolve(record.volts, PARABOLA, mode="same")
    times = record.times_s
    inside = (times >= start_s) & (times < start_s + cycles / tone.frequency_hz)
    turn = 2.0 * math.pi * tone.frequency_hz * times + float(np.angle(tone.phasors[0]))
    place = np.cos(turn)
    crossing = _rms(quick[inside & (np.abs(place) < CROSSING_TO)])
    crests = (_rms(quick[inside & (side * place > CREST_FROM)]) for side in (1.0, -1.0))
    return CrestResidue(max(crests), crossing)


def _rms(volts: NDArray[np.float64]) -> float:
    return float(np.sqrt(np.mean(volts**2))) if volts.size else 0.0
