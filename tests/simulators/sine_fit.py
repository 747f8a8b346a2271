"""Three-parameter sine fit at a known frequency: least squares, IEEE Std 1057-2017, 4.6 (clause from memory)."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]


def fitted(t_s: Samples, volts: Samples, frequency_hz: float) -> tuple[float, float, float]:
    """(amplitude, phase in rad, mean) of amplitude sin(2 pi f t + phase) + mean."""
    turn = 2.0 * math.pi * frequency_hz * t_s
    columns = np.column_stack((np.sin(turn), np.cos(turn), np.ones_like(turn)))
    (in_phase, quadrature, mean), *_ = np.linalg.lstsq(columns, volts, rcond=None)
    return math.hypot(in_phase, quadrature), math.atan2(quadrature, in_phase), float(mean)
