"""A counted burst of a sine as its record shows it: when it began, how long it was, how large, how fast. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.records import Record, Volts
from sequencer.analysis.sine import SineFit, fit_four

BEGUN_PART = 0.05  # of the peak: from there on the burst counts as begun
NOISE_FACTOR, LEAST_STEPS = 6.0, 1.6  # times the noise of the silence before; steps of the converter
STANDS_OUT = 2.0  # times that, or it is no burst
SILENT_PART = 0.6  # of the silence before the trigger is taken for silence
WHOLE_PART = 0.25  # of a cycle, left out at either end of the fit


@dataclass(frozen=True)
class BurstSeen:
    """rms_v of the sine, frequency_hz on the digitiser's clock, start_s and end_s with the trigger at 0. inverted: it
    begins downwards. rest_v: mean of the silence before; before_vrms: about it; after_vrms: at the record's end.
    residual_vrms: what the sine fit (IEEE 1057, four unknowns) leaves."""

    rms_v: float
    frequency_hz: float
    start_s: float
    end_s: float
    inverted: bool
    rest_v: float
    before_vrms: float
    after_vrms: float
    residual_vrms: float

    @property
    def rough(self) -> float:
        """What the fit leaves, as a part of the sine."""
        return self.residual_vrms / self.rms_v

    @property
    def cycles(self) -> float:
        return (self.end_s - self.start_s) * self.frequency_hz


def rest_v(record: Record) -> float:
    """Mean of the silence before the trigger, V."""
    before = _before(record)
    return float(before.mean()) if before.size else 0.0


def least_vrms(record: Record) -> float:
    """A sine below it does not stand out of this record's silence."""
    return STANDS_OUT * _least_v(record) / math.sqrt(2.0)


def _least_v(record: Record) -> float:
    before = _before(record)
    noise_v = float(before.std()) if before.size else 0.0
    return max(NOISE_FACTOR * noise_v, LEAST_STEPS * record.step_v)


def _before(record: Record) -> Volts:
    """The first part of the silence: a burst that comes before its trigger must not lie in it."""
    return record.volts[record.times_s < (1.0 - SILENT_PART) * record.start_s]


def burst_seen(record: Record, cycles: int) -> BurstSeen | None:
    """None: nothing that stands out of the silence before. cycles: as asked, where the frequency can't be counted."""
    times, resting_v = record.times_s, rest_v(record)
    volts: Volts = record.volts - resting_v
    before = _before(record)
    peak_v = float(np.abs(volts).max())
    noise_v = float(before.std()) if before.size else 0.0
    begun_v = max(BEGUN_PART * peak_v, _least_v(record))
    loud = np.flatnonzero(np.abs(volts) > begun_v)
    if loud.size < 2 or peak_v < STANDS_OUT * begun_v:
        return None
    first_s, last_s = float(times[loud[0]]), float(times[loud[-1]])
    coarse_hz = _coarse_hz(volts, times, begun_v) or cycles / max(last_s - first_s, record.sample_interval_s)
    fit = _fitted(volts, times, first_s, last_s, coarse_hz)
    if fit is None:
        rms_v = peak_v / math.sqrt(2.0)
        return BurstSeen(rms_v, coarse_hz, first_s, last_s, False, resting_v, noise_v, _after(volts), rms_v)
    hz = fit.frequency_hz
    edge_s = math.asin(min(1.0, begun_v / fit.amplitude_v)) / (2.0 * math.pi * hz)
    halves = 2.0 * hz * (first_s - edge_s + (fit.phase_rad + math.pi / 2.0) / (2.0 * math.pi * hz))
    start_s = round(halves) / (2.0 * hz) - (fit.phase_rad + math.pi / 2.0) / (2.0 * math.pi * hz)
    inverted = round(halves) % 2 == 1
    rms_v = fit.amplitude_v / math.sqrt(2.0)
    return BurstSeen(
        rms_v, hz, start_s, last_s + edge_s, inverted, resting_v, noise_v, _after(volts), fit.residual_rms_v
    )


def _after(volts: Volts) -> float:
    """Rms of the record's last twentieth, V."""
    last = volts[-max(2, volts.size // 20) :]
    return float(np.sqrt(np.mean(last * last)))


def _coarse_hz(volts: Volts, times: Volts, begun_v: float) -> float | None:
    """By the crossings of nought, each from well on one side to well on the other: half a cycle from one to the
    next."""
    signs = np.where(volts > begun_v, 1, np.where(volts < -begun_v, -1, 0))
    places = np.flatnonzero(signs)
    turns = np.flatnonzero(np.diff(signs[places]))
    if turns.size < 2:
        return None
    crossings = [_crossing_s(volts, times, int(places[t]), int(places[t + 1])) for t in (turns[0], turns[-1])]
    return float(0.5 * (turns.size - 1) / (crossings[1] - crossings[0]))


def _crossing_s(volts: Volts, times: Volts, low: int, high: int) -> float:
    """Between a sample well on one side of nought and one on the other, on the straight line."""
    part = -volts[low] / (volts[high] - volts[low])
    return float(times[low] + part * (times[high] - times[low]))


def _fitted(volts: Volts, times: Volts, first_s: float, last_s: float, coarse_hz: float) -> SineFit | None:
    margin_s = WHOLE_PART / coarse_hz
    within = (times >= first_s + margin_s) & (times <= last_s - margin_s)
    if int(within.sum()) < 8 or (last_s - first_s) * coarse_hz < 0.75:
        return None
    try:
        fit = fit_four(volts[within], times[within], coarse_hz)
    except ValueError:
        return None
    return fit if abs(fit.frequency_hz / coarse_hz - 1.0) < 0.3 and fit.amplitude_v > 0.0 else None
