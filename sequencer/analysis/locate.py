"""Where a burst begins in its record: never trigger time alone, since units mute, gate and delay.

Two parts: the window of the burst's length that holds most of its frequency (whatever its phase, sign or
clipping), then the first rise, fitted with a sine of that frequency between 10 and 50 % of the crest and taken
back to zero. There neither clipping nor coupling capacitors have changed it: behind a corner of a fifth of the
frequency the start moves by 0.1 % of a cycle.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.records import Record

LOW, HIGH = 0.1, 0.5  # of the crest: the part of the first rise that is fitted
REACH = 0.45  # of a cycle: how far the window's place may be off
BLOCKS_PER_CYCLE = 64  # how finely the window is placed: much finer than REACH
SILENCE_SAMPLES = 8


def locate_burst(record: Record, frequency_hz: float, cycles: int) -> float:
    """s relative to the trigger at which a burst of `cycles` whole cycles begins, to a fraction of a sample.

    ValueError: the record is shorter than the burst, or holds no trace of it.
    """
    dt = record.sample_interval_s
    length = round(cycles / (frequency_hz * dt))
    if length > record.volts.size:
        raise ValueError("the record is shorter than the burst")
    volts = record.volts - _silence_v(record)
    coarse = _best_window(volts, 2.0 * math.pi * frequency_hz * dt, length)
    begin = max(0, math.floor(coarse - REACH / (frequency_hz * dt)))
    rise = _first_rise(volts[begin : coarse + length], 1.0 / (frequency_hz * dt))
    return record.start_s + dt * (begin + rise)


def _silence_v(record: Record) -> float:
    """V of the silence before the trigger, or the record's median where there is none."""
    before = record.volts[: max(0, math.floor(-record.start_s / record.sample_interval_s))]
    return float(before.mean() if before.size >= SILENCE_SAMPLES else np.median(record.volts))


def _best_window(volts: Real, theta: float, length: int) -> int:
    """First sample of the window that holds most of the frequency, theta in rad per sample; to 1/64 of a cycle."""
    block = max(1, math.floor(2.0 * math.pi / (BLOCKS_PER_CYCLE * theta)))
    within = theta * np.arange(block)
    columns = np.stack([np.cos(within), -np.sin(within)], axis=1)
    whole = volts.size // block
    rest = volts[whole * block :]
    parts = np.vstack([volts[: whole * block].reshape(-1, block) @ columns, rest @ columns[: rest.size]])
    turned = (parts[:, 0] + 1j * parts[:, 1]) * np.exp(-1j * theta * block * np.arange(len(parts)))
    sums = np.concatenate([[0.0], np.cumsum(turned)])
    wide = min(round(length / block), len(parts))
    held = np.abs(sums[wide:] - sums[: sums.size - wide])
    best = int(held.argmax())
    if held[best] == 0.0:
        raise ValueError("the record holds no trace of the burst")
    return min(best * block, volts.size - length)


def _first_rise(near: Real, per_cycle: float) -> float:
    """Samples from the first of `near` to the burst's zero crossing.

    All of it is looked through: where the output goes away within the burst, many windows hold all of it, and the
    first of them begins too early.
    """
    crest = max(float(near.max()), -float(near.min()))
    cycle = math.ceil(per_cycle)
    for reach in (2 * cycle, near.size):  # most often it is in the first cycle, and the rest need not be read
        high = np.abs(near[:reach]) > HIGH * crest
        if high.any():
            break
    top = int(np.argmax(high))
    rising = near[: top + 1] * math.copysign(1.0, near[top])
    under = np.flatnonzero(rising[:top] < LOW * crest)
    bottom = int(under[-1]) if under.size else 0
    return _back_to_zero(rising, bottom, top, 2.0 * math.pi / per_cycle)


def _back_to_zero(rising: Real, bottom: int, top: int, theta: float) -> float:
    """Place of the zero of the sine through the samples between `bottom` and `top`; of the line where they are too
    few.
    """
    line = top - rising[top] * (top - bottom) / (rising[top] - rising[bottom]) if top > bottom else float(top)
    places = np.arange(bottom + 1, top + 1, dtype=np.float64)
    if places.size < 3:
        return float(line)
    middle = float(places.mean())
    angle = theta * (places - middle)
    sine, cosine = np.linalg.lstsq(np.stack([np.sin(angle), np.cos(angle)], axis=1), rising[bottom + 1 : top + 1])[0]
    if sine <= 0.0:
        return float(line)
    return middle - math.atan2(float(cosine), float(sine)) / theta
