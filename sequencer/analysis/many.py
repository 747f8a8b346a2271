"""Statistics of many readings: mean, spread, what stands far from the rest. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

# Deviation of a normal distribution over its median absolute deviation: 1 / 0.6745 (its 75 % point).
MAD_TO_DEVIATION = 1.4826022185056018
Z_OUTLYING = 3.5  # NIST/SEMATECH e-Handbook 1.3.5.17: modified z-scores above it are labelled as potential outliers
FEWEST_FOR_OUTLIERS = 5  # our own judgement: of fewer, half are too few to say what is usual


@dataclass(frozen=True)
class Spread:
    """median, mad: middle value, and middle distance from it. deviation: of a normal distribution with that mad."""

    count: int
    median: float
    mad: float
    lowest: float
    highest: float

    @property
    def deviation(self) -> float:
        return MAD_TO_DEVIATION * self.mad

    @property
    def of_median(self) -> float:
        """Standard uncertainty of the median, of many normal values: sqrt(pi / 2) that of a mean."""
        return math.sqrt(math.pi / 2.0) * self.deviation / math.sqrt(self.count)

    def z(self, value: float) -> float | None:
        """Modified z-score, 0.6745 (x - median) / mad (e-Handbook 1.3.5.17). None of fewer than five values, and where
        more than half of them are alike to the last digit: then no distance is known that would be usual."""
        if self.count < FEWEST_FOR_OUTLIERS or self.mad <= 0.0:
            return None
        return (value - self.median) / self.deviation

    def outlying(self, value: float) -> bool:
        z = self.z(value)
        return z is not None and abs(z) > Z_OUTLYING


def mean_and_deviation(values: Sequence[float]) -> tuple[float, float]:
    """Mean, and standard deviation with n - 1; two passes, so that a large common part costs no digits. Needs two."""
    if len(values) < 2:
        raise ValueError("a standard deviation needs two values and more")
    first = values[0]
    away = [value - first for value in values]
    middle = math.fsum(away) / len(away)
    return first + middle, math.sqrt(math.fsum((one - middle) ** 2 for one in away) / (len(away) - 1))


def lag_one(values: Sequence[float]) -> float:
    """Autocorrelation of neighbours about the mean (e-Handbook 1.3.5.12); 0 where all are alike."""
    mean = math.fsum(values) / len(values)
    away = [value - mean for value in values]
    whole = math.fsum(one * one for one in away)
    return math.fsum(a * b for a, b in pairwise(away)) / whole if whole > 0.0 else 0.0


def spread(values: Sequence[float]) -> Spread:
    """Needs one value."""
    given = np.asarray(values, dtype=np.float64)
    median = float(np.median(given))
    return Spread(len(values), median, float(np.median(np.abs(given - median))), float(given.min()), float(given.max()))
