"""A straight line through readings, with what it is worth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from uncertainties import UFloat, correlated_values

from sequencer.analysis.folded import Real


@dataclass(frozen=True)
class Line:
    """y = start + slope (x - x0). start and slope are correlated, so that `at` is right anywhere.

    residual: standard deviation of the readings about the line; freedom: n - 2.
    """

    x0: float
    start: UFloat
    slope: UFloat
    residual: float
    freedom: int

    def at(self, x: float) -> UFloat:
        """The line's value at x, with its standard uncertainty (not that of one more reading)."""
        return self.start + self.slope * (x - self.x0)


def fit_line(x: Real, y: Real, x0: float = 0.0) -> Line:
    """Least squares, equal weights, x exact; shapes (n,), n >= 3 (JCGM 100, H.3.2). ValueError where no line fits."""
    if x.shape != y.shape or x.ndim != 1 or len(x) < 3 or np.ptp(x) == 0.0:
        raise ValueError("a line needs three readings and more, at two places and more")
    # Fitted about the mean, where start and slope do not depend on each other.
    centre = float(x.mean())
    away = x - centre
    spread = float(away @ away)
    slope = float(away @ (y - y.mean())) / spread
    middle = float(y.mean())
    residual = math.sqrt(float(np.sum((y - middle - slope * away) ** 2)) / (len(x) - 2))
    shift = x0 - centre
    variance = residual**2
    own, mixed = variance * (1.0 / len(x) + shift**2 / spread), variance * shift / spread
    start, rate = correlated_values([middle + slope * shift, slope], [[own, mixed], [mixed, variance / spread]])
    return Line(x0, start, rate, residual, len(x) - 2)
