"""Where within a burst an output went away: a protection that cut in, a mute, a limiter that shut."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.cycles import mean_and_rms
from sequencer.analysis.records import Record

GONE_PART = 0.5  # of the rms expected of a cycle
STILL_THERE = 0.25  # of the crest expected: below it nothing of the tone is left


@dataclass(frozen=True)
class CutIn:
    """cycle: the first one that is not whole, from 1; at_s: from the burst's begin, by the last sample that still
    belongs to the tone: late by no more than a third of a cycle. crest_v: largest volts before, either sign.
    """

    cycle: int
    at_s: float
    crest_v: float


def cut_in(record: Record, start_s: float, frequency_hz: float, cycles: int, expected_vrms: float) -> CutIn | None:
    """None where every cycle is there. start_s: of the burst, s. ValueError where it does not lie in the record."""
    gone = (
        n for n in range(cycles) if _rms(record, start_s + n / frequency_hz, frequency_hz) < GONE_PART * expected_vrms
    )
    first = next(gone, None)
    if first is None:
        return None
    times = record.times_s
    within = (times >= start_s) & (times < start_s + (first + 1) / frequency_hz)
    size = np.abs(record.volts[within] - _silence_v(record, start_s))
    there = np.flatnonzero(size > STILL_THERE * math.sqrt(2.0) * expected_vrms)
    if not there.size:
        return CutIn(first + 1, 0.0, 0.0)
    last = int(there[-1])
    at_s = float(times[within][last]) - start_s
    return CutIn(int(at_s * frequency_hz) + 1, at_s, float(size[: last + 1].max()))


def _rms(record: Record, begin_s: float, frequency_hz: float) -> float:
    return mean_and_rms(record, begin_s, 1.0 / frequency_hz)[1]


def _silence_v(record: Record, start_s: float) -> float:
    before = record.volts[record.times_s < start_s]
    return float(before.mean()) if before.size else 0.0
