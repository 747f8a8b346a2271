"""Sine fits by least squares, with three and with four unknowns, as IEEE 1057 describes them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real

ROUNDS = 30
SETTLED_RAD = 1e-9
LOST_CYCLES = 0.75  # change over the record: the start lay outside the well


@dataclass(frozen=True)
class SineFit:
    """y(t) = amplitude_v cos(2 pi frequency_hz t + phase_rad) + offset_v.

    residual_rms_v: V, sum of squares over the number of samples, as the standard divides.
    """

    amplitude_v: float
    phase_rad: float
    offset_v: float
    frequency_hz: float
    residual_rms_v: float


def fit_three(volts: Real, times_s: Real, frequency_hz: float) -> SineFit:
    """Amplitude, phase and offset at a known frequency: rows [cos wt, sin wt, 1], least squares.

    volts, times_s: shape (n,), V and s, in any order. ValueError below three samples.
    """
    if volts.size < 3:
        raise ValueError("three unknowns need at least three samples")
    columns = _columns(times_s, 2.0 * math.pi * frequency_hz)
    a, b, c = np.linalg.lstsq(columns, volts, rcond=None)[0]
    left = volts - columns @ (a, b, c)
    return _fit(float(a), float(b), float(c), frequency_hz, math.sqrt(float(left @ left) / volts.size))


def fit_four(volts: Real, times_s: Real, frequency_hz: float) -> SineFit:
    """The same with the frequency: the column t (b cos wt - a sin wt) is added, its factor corrects w, until at
    rest.

    The start must lie within a quarter of a cycle over the record: from further off another minimum may be found,
    which nothing in the fit betrays. ValueError: below four samples, or no rest is found.
    """
    (hz,) = fit_frequencies(volts[None, :], times_s, np.array([frequency_hz]))
    return fit_three(volts, times_s, float(hz))


def fit_frequencies(volts: Real, times_s: Real, frequencies_hz: Real) -> Real:
    """shape (m,), Hz: `fit_four`'s frequency for m records at once, which share their times.

    volts: shape (m, n), V; times_s: shape (n,); frequencies_hz: shape (m,), the starts. ValueError as there, for
    any of them.
    """
    if volts.shape[1] < 4:
        raise ValueError("four unknowns need at least four samples")
    length_s = float(times_s.max() - times_s.min())
    centred = times_s - float(times_s.max() + times_s.min()) / 2.0
    omegas = 2.0 * math.pi * frequencies_hz
    moving = np.arange(omegas.size)
    for _ in range(ROUNDS):
        changes = _omega_changes(volts[moving], centred, omegas[moving], length_s)
        if not np.all(np.abs(changes) * length_s <= 2.0 * math.pi * LOST_CYCLES):
            break
        omegas[moving] += changes
        moving = moving[np.abs(changes) * length_s >= SETTLED_RAD]
        if not moving.size:
            found: Real = omegas / (2.0 * math.pi)
            return found
    raise ValueError("the frequency does not come to rest: the start is too far off, or there is no sine")


def _omega_changes(volts: Real, centred_s: Real, omegas: Real, length_s: float) -> Real:
    """One correction each: amplitude and phase by three columns, then all four. Normal equations will do: about the
    middle of the record the columns are nearly at right angles, and the round that settles is not judged by them.
    """
    columns: Real = np.empty((omegas.size, 4, centred_s.size))
    np.multiply(omegas[:, None], centred_s, out=columns[:, 3])
    np.cos(columns[:, 3], out=columns[:, 0])
    np.sin(columns[:, 3], out=columns[:, 1])
    columns[:, 2] = 1.0
    a, b, _ = _solved(columns[:, :3], volts).T
    scaled = centred_s / length_s
    columns[:, 3] = b[:, None] * columns[:, 0] - a[:, None] * columns[:, 1]
    columns[:, 3] *= scaled
    changes: Real = _solved(columns, volts)[:, 3] / length_s
    return changes


def _solved(columns: Real, volts: Real) -> Real:
    """shape (m, k): least squares of columns (m, k, n) against volts (m, n); nan where they do not differ."""
    try:
        solved = np.linalg.solve(columns @ columns.transpose(0, 2, 1), columns @ volts[:, :, None])
    except np.linalg.LinAlgError:
        return np.full(columns.shape[:2], np.nan)
    return np.asarray(solved[:, :, 0], dtype=np.float64)


def _columns(times_s: Real, omega: float) -> Real:
    angle = omega * times_s
    columns: Real = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    return columns


def _fit(a: float, b: float, c: float, frequency_hz: float, residual_rms_v: float) -> SineFit:
    return SineFit(math.hypot(a, b), math.atan2(-b, a), c, frequency_hz, residual_rms_v)
