"""Sine fits by least squares, with three and with four unknowns, as IEEE 1057 describes them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real

ROUNDS = 30
SETTLED_RAD = 1e-11
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
    if volts.size < 4:
        raise ValueError("four unknowns need at least four samples")
    length_s = float(times_s.max() - times_s.min())
    middle_s = float(times_s.max() + times_s.min()) / 2.0
    centred = times_s - middle_s
    omega = 2.0 * math.pi * frequency_hz
    for _ in range(ROUNDS):
        change = _omega_change(volts, centred, omega, length_s)
        if abs(change) * length_s > 2.0 * math.pi * LOST_CYCLES:
            break
        omega += change
        if abs(change) * length_s < SETTLED_RAD:
            return fit_three(volts, times_s, omega / (2.0 * math.pi))
    raise ValueError("the frequency does not come to rest: the start is too far off, or there is no sine")


def _omega_change(volts: Real, centred_s: Real, omega: float, length_s: float) -> float:
    columns = _columns(centred_s, omega)
    a, b, _ = np.linalg.lstsq(columns, volts, rcond=None)[0]
    slope = centred_s / length_s * (b * columns[:, 0] - a * columns[:, 1])
    return float(np.linalg.lstsq(np.column_stack([columns, slope]), volts, rcond=None)[0][3]) / length_s


def _columns(times_s: Real, omega: float) -> Real:
    angle = omega * times_s
    columns: Real = np.column_stack([np.cos(angle), np.sin(angle), np.ones_like(angle)])
    return columns


def _fit(a: float, b: float, c: float, frequency_hz: float, residual_rms_v: float) -> SineFit:
    return SineFit(math.hypot(a, b), math.atan2(-b, a), c, frequency_hz, residual_rms_v)
