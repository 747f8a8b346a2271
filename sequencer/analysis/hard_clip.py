"""A sine clipped hard and evenly at +-r of its peak, in closed form: distortion, overdrive, gain loss.

With a = arcsin r: b1 = (2/pi)(a + r sqrt(1 - r^2)); odd n: bn = (4/pi)[sin((n-1)a)/(2(n-1)) - sin((n+1)a)/(2(n+1))
+ r cos(n a)/n]; mean square m = (2/pi)[a/2 - sin(2a)/4 + r^2 (pi/2 - a)]; THD(F) = sqrt(2 m/b1^2 - 1). Overdrive
is -20 log10 r.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sequencer.analysis.folded import Real

LEAST_DB, MOST_DB = 1e-4, 40.0
NODES = 40_000


def fundamental(r: Real) -> Real:
    """Peak of the fundamental for a sine of peak 1; r in (0, 1]."""
    b1: Real = 2.0 / np.pi * (np.arcsin(r) + r * np.sqrt(1.0 - r * r))
    return b1


def mean_square(r: Real) -> Real:
    """Mean square for a sine of peak 1; half of r^2 / m is P0/P, P0 the power just unclipped."""
    a = np.arcsin(r)
    m: Real = 2.0 / np.pi * (a / 2.0 - np.sin(2.0 * a) / 4.0 + r * r * (np.pi / 2.0 - a))
    return m


def harmonic(r: Real, n: int) -> Real:
    """Signed peak of the odd harmonic n >= 3 for a sine of peak 1."""
    a = np.arcsin(r)
    low, high = np.sin((n - 1) * a) / (2.0 * (n - 1)), np.sin((n + 1) * a) / (2.0 * (n + 1))
    bn: Real = 4.0 / np.pi * (low - high + r * np.cos(n * a) / n)
    return bn


def thd_ratio(r: Real, harmonics: int | None = None) -> Real:
    """THD(F) ratio of all harmonics, or of those up to `harmonics`. Shape of r."""
    b1 = fundamental(r)
    if harmonics is None:
        # 2m - b1^2 loses digits next to r = 1: below 1e-6 in THD the value is rounding.
        thd: Real = np.sqrt(np.maximum(2.0 * mean_square(r) / b1**2 - 1.0, 0.0))
        return thd
    squares = np.zeros_like(r)
    for n in range(3, harmonics + 1, 2):
        squares += harmonic(r, n) ** 2
    banded: Real = np.sqrt(squares) / b1
    return banded


@lru_cache(maxsize=16)
def _table(harmonics: int | None) -> tuple[Real, Real]:
    """(ln THD, ln overdrive in dB), both rising: 40,000 nodes from 1e-4 to 40 dB."""
    log_db = np.linspace(math.log(LEAST_DB), math.log(MOST_DB), NODES)
    thd = thd_ratio(10.0 ** (-np.exp(log_db) / 20.0), harmonics)
    rising = np.flatnonzero(np.diff(np.maximum.accumulate(thd), prepend=0.0) > 0.0)
    return np.log(thd[rising]), log_db[rising]


def hard_clip_overdrive_db(thd: float, harmonics: int | None = None) -> float:
    """dB of drive above the onset of clipping at which THD(F) reaches `thd` (a ratio); within 1e-6 dB up to 10 dB.

    0 for 0. ValueError beyond what a clipped sine can reach (a square wave's 0.483, less in a band).
    """
    if thd <= 0.0:
        return 0.0
    known, log_db = _table(harmonics)
    log_thd = math.log(thd)
    if log_thd > known[-1]:
        raise ValueError(f"no clipped sine has a THD of {thd:g}")
    if log_thd < known[0]:  # a power law next to the onset
        slope = (log_db[50] - log_db[0]) / (known[50] - known[0])
        return math.exp(float(log_db[0] + slope * (log_thd - known[0])))
    return math.exp(float(np.interp(log_thd, known, log_db)))


def hard_clip_thd(overdrive_db: float, harmonics: int | None = None) -> float:
    """THD(F) ratio at that overdrive; 0 at or below the onset."""
    if overdrive_db <= 0.0:
        return 0.0
    return float(thd_ratio(np.array([10.0 ** (-overdrive_db / 20.0)]), harmonics)[0])


def hard_clip_gain_loss_db(thd: float, harmonics: int | None = None) -> float:
    """dB by which the fundamental lags behind the drive where THD(F) is `thd`: -20 log10 b1."""
    r = 10.0 ** (-hard_clip_overdrive_db(thd, harmonics) / 20.0)
    return -20.0 * math.log10(float(fundamental(np.array([r]))[0]))
