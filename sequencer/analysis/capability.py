"""How well a batch keeps a limit: capability with its confidence, and limits drawn in by the uncertainty. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy import special

from sequencer.analysis.many import mean_and_deviation
from sequencer.analysis.uncertainty import student

FEWEST = 30  # below it the interval is wider than what is to be told: 1.33 +- 0.73 of eight units

Held = Literal["within", "within, near", "outside, near", "outside"]


@dataclass(frozen=True)
class Index:
    """An index with the ends of its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Capability:
    """cp: of two limits only. cpk: of the nearer one."""

    count: int
    mean: float
    deviation: float
    cp: Index | None
    cpk: Index


def capability(values: Sequence[float], low: float | None, high: float | None) -> Capability | None:
    """None below 30 values, without a limit, and where all values are alike. Formulas and intervals as in the
    NIST/SEMATECH e-Handbook 6.1.6: of Cp exact (chi square), of Cpk the normal one."""
    if len(values) < FEWEST or (low is None and high is None):
        return None
    mean, deviation = mean_and_deviation(values)
    if deviation <= 0.0:
        return None
    n = len(values)
    cpk = min(
        *([(mean - low) / (3.0 * deviation)] if low is not None else []),
        *([(high - mean) / (3.0 * deviation)] if high is not None else []),
        math.inf,
    )
    half = student(math.inf) * math.sqrt(1.0 / (9.0 * n) + cpk**2 / (2.0 * (n - 1)))
    cp = None if low is None or high is None else _cp((high - low) / (6.0 * deviation), n - 1)
    return Capability(n, mean, deviation, cp, Index(cpk, cpk - half, cpk + half))


def _cp(value: float, freedom: int) -> Index:
    ends = (math.sqrt(2.0 * float(special.gammaincinv(freedom / 2.0, p)) / freedom) for p in (0.025, 0.975))
    low, high = (value * end for end in ends)
    return Index(value, low, high)


def held(value: float, expanded: float | None, low: float | None, high: float | None) -> Held:
    """Against limits drawn in by the expanded uncertainty, and against those drawn out by it (guarded acceptance and
    guarded rejection, JCGM 106:2012, 8.3): "near" lies between the two. No uncertainty: the plain limits."""
    u = expanded or 0.0
    room = min(
        value - low if low is not None else math.inf,
        high - value if high is not None else math.inf,
    )
    if room >= 0.0:
        return "within" if room >= u else "within, near"
    return "outside" if -room > u else "outside, near"
