"""The end of a steady tone: a record that holds nothing but the tone, judged as a whole and in blocks of whole cycles.

Nothing is located: record and tone have no edge in common. The whole record is one fit, so noise and hum lie in its
residual, and distortion is that of all its cycles together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.burst import LastCycle
from sequencer.analysis.cycles import (
    MOST_NOISE_HARMONICS,
    CycleRow,
    crests,
    fit_window,
    mean_and_rms,
    span,
)
from sequencer.analysis.noise import distortion_of
from sequencer.analysis.records import Record

BLOCKS_AT_MOST = 10
SAMPLES_PER_CYCLE_OF_HARMONIC = 2.5
CLOCK_AWAY = 300e-6  # two crystal clocks differ by less (common practice, no source)


@dataclass(frozen=True)
class SteadyReading:
    """frequency_hz: on the digitiser's clock. rows: blocks of `block_cycles` whole cycles each, in order. whole: all
    whole cycles of the record as one, in the shape of a burst's last cycle."""

    frequency_hz: float
    block_cycles: int
    rows: tuple[CycleRow, ...]
    whole: LastCycle


def read_steady(record: Record, frequency_hz: float, harmonics: int = 20) -> SteadyReading:
    """All of a record that holds only the tone. ValueError where it holds no whole cycle."""
    cycles = math.floor(record.volts.size * record.sample_interval_s * frequency_hz - 0.01)
    if cycles < 1:
        raise ValueError("the record holds no whole cycle")
    hz = _frequency(record, frequency_hz, cycles, harmonics)
    each = max(1, cycles // BLOCKS_AT_MOST)
    count = cycles // each
    rows = tuple(
        _block(record, 1 + i * each, record.start_s + i * each / hz, each, (hz, harmonics)) for i in range(count)
    )
    return SteadyReading(hz, each, rows, _whole(record, cycles, (hz, harmonics), rows))


def _frequency(record: Record, frequency_hz: float, cycles: int, harmonics: int) -> float:
    end_s = record.start_s + cycles / frequency_hz
    try:
        fit = fit_window(record, record.start_s, end_s, frequency_hz, harmonics, solve_frequency=True)
    except ValueError:  # nothing there to fit: a protection
        return frequency_hz
    return fit.frequency_hz if abs(fit.frequency_hz / frequency_hz - 1.0) <= CLOCK_AWAY else frequency_hz


def _block(record: Record, number: int, begin_s: float, cycles: int, tone: tuple[float, int]) -> CycleRow:
    """number: of the block's first cycle within the record, from 1. Crests are its first cycle's: over many cycles
    the highest sample is only the noisiest one."""
    hz, harmonics = tone
    length_s = cycles / hz
    mean_v, rms_v = mean_and_rms(record, begin_s, length_s)
    one = record.volts[span(record, begin_s, begin_s + 1.0 / hz)]
    positive, negative = crests(one, 1.0 / (hz * record.sample_interval_s))
    fit = fit_window(record, begin_s, begin_s + length_s, hz, harmonics)
    return CycleRow(number, begin_s, rms_v, mean_v, positive, negative, fit)


def _whole(record: Record, cycles: int, tone: tuple[float, int], rows: Sequence[CycleRow]) -> LastCycle:
    hz, harmonics = tone
    end_s = record.start_s + cycles / hz
    mean_v, rms_v = mean_and_rms(record, record.start_s, cycles / hz)
    fit = fit_window(record, record.start_s, end_s, hz, harmonics)
    many = min(MOST_NOISE_HARMONICS, int(1.0 / (hz * record.sample_interval_s) / SAMPLES_PER_CYCLE_OF_HARMONIC))
    if many > harmonics:  # what a clip leaves above the highest harmonic is no noise
        fit = replace(fit, residual_rms_v=fit_window(record, record.start_s, end_s, hz, many).residual_rms_v)
    crest_pos = float(np.median([row.crest_pos_v for row in rows]))
    crest_neg = float(np.median([row.crest_neg_v for row in rows]))
    row = CycleRow(1, record.start_s, rms_v, mean_v, crest_pos, crest_neg, fit)
    seen = distortion_of(fit, record, hz, fit.harmonics)
    return LastCycle(row, seen.thd, seen.floor, seen.u)
