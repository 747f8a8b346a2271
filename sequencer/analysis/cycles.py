"""One cycle of a burst: true rms, offset, crests and harmonics, from the samples of that cycle alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import HarmonicFit, fit_each, fit_even, frequency_of_even
from sequencer.analysis.records import Record

INSET = 0.01  # of a cycle, at both ends of the harmonic fit: a start wrong by that much lets no silence in
CREST_SHARE = 200  # a crest is the mean over 1/200 of a cycle: 4e-5 of a sine's crest is lost, most noise goes

MOST_NOISE_HARMONICS, SAMPLES_PER_HARMONIC = 60, 8  # for the noise's own size


@dataclass(frozen=True)
class CycleRow:
    """One cycle of a burst. number: from 1; start_s: s; rms_ac_v: true rms about the cycle's mean, V; offset_v:
    that mean; crest_pos_v, crest_neg_v: V as measured (the negative one below zero), offset included; fit: dc and
    harmonics 1..K."""

    number: int
    start_s: float
    rms_ac_v: float
    offset_v: float
    crest_pos_v: float
    crest_neg_v: float
    fit: HarmonicFit

    @property
    def fundamental_v(self) -> float:
        """Vrms of the fundamental."""
        return self.fit.fundamental_rms_v

    @property
    def thd(self) -> float:
        """THD(F) ratio of this cycle, raw."""
        return self.fit.thd_f


def with_own_noise(record: Record, row: CycleRow, frequency_hz: float) -> CycleRow:
    """The row with residual_rms_v of a fit to many more harmonics: what a clip leaves above K is no noise.

    Only the residual is taken from that fit: so many harmonics in less than a whole period are not well determined
    one by one. Unchanged where the samples are too few for it.
    """
    many = min(MOST_NOISE_HARMONICS, row.fit.samples // SAMPLES_PER_HARMONIC)
    if many <= row.fit.harmonics:
        return row
    wide = fit_window(record, row.start_s, row.start_s + 1.0 / frequency_hz, frequency_hz, many)
    return replace(row, fit=replace(row.fit, residual_rms_v=wide.residual_rms_v))


def one_cycle(
    record: Record, number: int, start_s: float, frequency_hz: float, harmonics: int, *, few: bool = False
) -> CycleRow:
    """The cycle that begins at start_s. few: of a burst of few cycles, which is compared with a twin: its window
    then lies between samples, so that the twin's may lie at the same place of the burst.

    ValueError where it does not lie inside the record, or has too few samples.
    """
    fit = (fit_between if few else fit_window)(record, start_s, start_s + 1.0 / frequency_hz, frequency_hz, harmonics)
    return _row(record, number, start_s, fit)


def many_cycles(
    record: Record, start_s: float, frequency_hz: float, cycles: int, harmonics: int
) -> tuple[CycleRow, ...]:
    """As `one_cycle`, of so many cycles in order, those with one number of samples fitted at once."""
    starts_s = [start_s + i / frequency_hz for i in range(cycles)]
    parts = [_inset(record, begin_s, begin_s + 1.0 / frequency_hz, frequency_hz) for begin_s in starts_s]
    fits: dict[int, HarmonicFit] = {}
    for size in {part.stop - part.start for part in parts}:
        which = [i for i, part in enumerate(parts) if part.stop - part.start == size]
        windows = [record.volts[parts[i]] for i in which]
        firsts_s = [record.start_s + record.sample_interval_s * parts[i].start for i in which]
        fits |= zip(which, fit_each(windows, firsts_s, record.sample_interval_s, frequency_hz, harmonics), strict=True)
    period_s = 1.0 / frequency_hz
    spans = [span(record, begin_s, begin_s + period_s) for begin_s in starts_s]
    highs_lows = _crests_of(record.volts, spans, period_s / record.sample_interval_s)
    levels = _means_and_rms(record, starts_s, period_s)
    return tuple(
        CycleRow(i + 1, begin_s, levels[i][1], levels[i][0], *highs_lows[i], fits[i])
        for i, begin_s in enumerate(starts_s)
    )


def _row(record: Record, number: int, start_s: float, fit: HarmonicFit) -> CycleRow:
    period_s = 1.0 / fit.frequency_hz
    mean_v, rms_v = mean_and_rms(record, start_s, period_s)
    cycle = record.volts[span(record, start_s, start_s + period_s)]
    positive, negative = crests(cycle, period_s / record.sample_interval_s)
    return CycleRow(number, start_s, rms_v, mean_v, positive, negative, fit)


def fit_between(record: Record, begin_s: float, end_s: float, frequency_hz: float, harmonics: int) -> HarmonicFit:
    """As `fit_window`, of a window that begins between two samples: two windows of one length, one sample apart,
    mixed.

    What is not periodic (the tail of a coupling capacitor) reads otherwise in a window one sample on: behind a
    fifth of the frequency, at 1,000 samples a cycle, by 0.06 % of the fundamental. Mixed, two captures of one
    burst agree to a tenth of that.
    """
    place = (begin_s + INSET / frequency_hz - record.start_s) / record.sample_interval_s
    length = round((end_s - begin_s - 2.0 * INSET / frequency_hz) / record.sample_interval_s)
    first = math.floor(place)
    if first < 0 or first + 1 + length > record.volts.size:
        return fit_window(record, begin_s, end_s, frequency_hz, harmonics)
    near, next_one = (
        fit_even(
            record.volts[k : k + length],
            record.start_s + record.sample_interval_s * k,
            record.sample_interval_s,
            frequency_hz,
            harmonics,
        )
        for k in (first, first + 1)
    )
    share = place - first
    return replace(
        near,
        offset_v=(1.0 - share) * near.offset_v + share * next_one.offset_v,
        phasors=(1.0 - share) * near.phasors + share * next_one.phasors,
        residual_rms_v=math.hypot(
            math.sqrt(1.0 - share) * near.residual_rms_v, math.sqrt(share) * next_one.residual_rms_v
        ),
    )


def fit_window(
    record: Record,
    begin_s: float,
    end_s: float,
    frequency_hz: float,
    harmonics: int,
    *,
    solve_frequency: bool = False,
) -> HarmonicFit:
    """Harmonic fit between two times less 1 % of a cycle at both ends; phasors at the trigger's time zero."""
    part = _inset(record, begin_s, end_s, frequency_hz)
    start_s, dt = record.start_s + record.sample_interval_s * part.start, record.sample_interval_s
    return fit_even(record.volts[part], start_s, dt, frequency_hz, harmonics, solve_frequency=solve_frequency)


def window_frequency(record: Record, begin_s: float, end_s: float, frequency_hz: float, harmonics: int) -> float:
    """Hz of that fit, where nothing else of it is wanted."""
    part = _inset(record, begin_s, end_s, frequency_hz)
    return frequency_of_even(record.volts[part], record.sample_interval_s, frequency_hz, harmonics)


def _inset(record: Record, begin_s: float, end_s: float, frequency_hz: float) -> slice:
    return span(record, begin_s + INSET / frequency_hz, end_s - INSET / frequency_hz)


def span(record: Record, begin_s: float, end_s: float) -> slice:
    """Samples at or after begin_s and at or before end_s. ValueError where the record does not hold both."""
    first, last = _places(record, begin_s, end_s)
    return slice(max(0, math.ceil(first)), math.floor(last) + 1)


def _places(record: Record, begin_s: float, end_s: float) -> tuple[float, float]:
    """Both times in samples from the record's first; half a sample beyond either end is allowed."""
    first = (begin_s - record.start_s) / record.sample_interval_s
    last = (end_s - record.start_s) / record.sample_interval_s
    if first < -0.5 or last > record.volts.size - 0.5:
        raise ValueError("the burst does not lie inside the record")
    return first, min(last, record.volts.size - 1.0)


def mean_and_rms(record: Record, begin_s: float, period_s: float) -> tuple[float, float]:
    """(mean V, rms V about it) over exactly one period, whatever the harmonics.

    Trapezoid with fractional ends. Over a period of anything periodic the end terms cancel (Euler-Maclaurin), so
    the error is of third order in the sample spacing: below 1e-6 of the power of a clipped cycle of 1,000 samples,
    1e-4 at 100.
    """
    return _means_and_rms(record, [begin_s], period_s)[0]


def _means_and_rms(record: Record, begins_s: Sequence[float], period_s: float) -> list[tuple[float, float]]:
    """`mean_and_rms` of each of these periods, in order."""
    places = np.array([_places(record, begin_s, begin_s + period_s) for begin_s in begins_s])
    first, last = np.maximum(places[:, 0], 0.0), places[:, 1]
    low = np.maximum(0, np.ceil(first).astype(np.intp) - 1)
    high = np.minimum(record.volts.size, np.floor(last).astype(np.intp) + 2)
    # Every sample in between counts once; the two at either end by how much of their stretches lies within.
    ends = np.stack([low, low + 1, high - 1, high - 2])
    weights = np.stack([*_end_weights(first - low), *_end_weights(high - 1 - last)])
    edges, total = record.volts[ends], last - first
    inner = [record.volts[begin + 2 : end - 2] for begin, end in zip(low, high, strict=True)]
    means = (np.array([part.sum() for part in inner]) + (edges * weights).sum(axis=0)) / total
    squares = np.array([_squares(part, mean) for part, mean in zip(inner, means, strict=True)])
    squares += ((edges - means) ** 2 * weights).sum(axis=0)
    return list(zip(means.tolist(), np.sqrt(squares / total).tolist(), strict=True))


def _squares(volts: Real, mean: float) -> float:
    """Sum of squares about the mean."""
    away = volts - mean
    return float(away @ away)


def _end_weights(place: Real) -> tuple[Real, Real]:
    """Of the outermost sample and of its neighbour: integral of the straight lines from `place` (0 to 1) inwards."""
    return (1.0 - place) ** 2 / 2.0, 1.0 - place**2 / 2.0


def crests(volts: Real, samples_per_cycle: float) -> tuple[float, float]:
    """(highest, lowest) running mean over 1/200 of a cycle, V."""
    return _crests_of(volts, [slice(0, volts.size)], samples_per_cycle)[0]


def _crests_of(volts: Real, spans: Sequence[slice], samples_per_cycle: float) -> list[tuple[float, float]]:
    """`crests` of each of these stretches, which follow each other: one running mean serves them all."""
    first, last = spans[0].start, spans[-1].stop
    width = 2 * int(samples_per_cycle / (2 * CREST_SHARE)) + 1
    if width >= min(part.stop - part.start for part in spans):
        width = 1
    sums = np.empty(last - first + 1)
    sums[0] = 0.0
    np.cumsum(volts[first:last], out=sums[1:])
    smooth = sums[width:] - sums[:-width]
    # Those whose stretch ends in the next span belong to none: every second entry.
    edges = [edge - first for part in spans for edge in (part.start, part.stop - width + 1)]
    edges = edges[:-1] if edges[-1] == smooth.size else edges
    highs, lows = np.maximum.reduceat(smooth, edges)[::2], np.minimum.reduceat(smooth, edges)[::2]
    return [(float(high) / width, float(low) / width) for high, low in zip(highs, lows, strict=True)]
