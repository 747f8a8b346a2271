"""First-order relaxation on a grid."""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter

from simulators.world.noise import Samples


def relaxed(toward: Samples, start: float, h: float) -> Samples:
    """Exact solution of tau y' = u - y for u straight between points h tau apart."""
    keep = math.exp(-h)
    mean = -math.expm1(-h) / h
    old, new = mean - keep, 1.0 - mean
    state = [old * float(toward[0]) + keep * start]
    tail, _ = lfilter([new, old], [1.0, -keep], toward[1:], zi=state)
    return np.concatenate(([start], tail))
