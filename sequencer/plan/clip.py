"""What clipping costs: power, supply current and level of a symmetrically clipped sine, and the volts at which it
clips. Pure.

A sine of peak 1/r is cut at +-1, a = arcsin r (textbook closed forms): mean square (2/pi)[(a/2 - sin(2a)/4)/r^2 +
pi/2 - a]; fundamental (2/pi)[a/r + sqrt(1 - r^2)]; mean magnitude (2/pi)[(1 - cos a)/r + pi/2 - a].
"""

from __future__ import annotations

import math
from functools import lru_cache

from sequencer.plan.models import Rating, Unit, UnitChannel

OHM_WITHIN = 0.05  # a rating speaks for loads within 5 % of its own


def ratio(db: float) -> float:
    """Of two voltages, from decibels."""
    return float(10.0 ** (db / 20.0))


def mean_square(overdrive_db: float) -> float:
    """Of the clipped sine, in units of the squared clip volts; 0.5 when just unclipped."""
    r = ratio(-overdrive_db)
    a = math.asin(r)
    return 2.0 / math.pi * ((a / 2.0 - math.sin(2.0 * a) / 4.0) / r**2 + math.pi / 2.0 - a)


def mean_magnitude(overdrive_db: float) -> float:
    """Of the clipped sine, in units of the clip volts; 2/pi when just unclipped."""
    r = ratio(-overdrive_db)
    a = math.asin(r)
    return 2.0 / math.pi * ((1.0 - math.cos(a)) / r + math.pi / 2.0 - a)


def thd(overdrive_db: float) -> float:
    """Ratio of all harmonics to the fundamental."""
    r = ratio(-overdrive_db)
    fundamental = 2.0 / math.pi * (math.asin(r) / r + math.sqrt(max(1.0 - r * r, 0.0)))
    return math.sqrt(max(2.0 * mean_square(overdrive_db) / fundamental**2 - 1.0, 0.0))


@lru_cache(maxsize=64)
def overdrive_db(limit_pct: float) -> float:
    """Level above the onset at which THD reaches the limit, by halving; at most 40 dB (a square wave has 48.3 %)."""
    low, high = 0.0, 40.0
    for _ in range(60):
        middle = (low + high) / 2.0
        low, high = (middle, high) if 100.0 * thd(middle) < limit_pct else (low, middle)
    return high


def clip_volts(unit: Unit, nominal_ohm: float, supply_v: float) -> dict[str, float]:
    """Expected crest at clipping of each channel, V at the unit's terminals.

    The channel's own `output_rail_v`, else the unit's, else sqrt(2 P R) of the nearest rating. In proportion to
    the supply, as of a converter without regulation (common practice, no source). Raises LookupError where the
    file gives none of the three.
    """
    return {c.name: _clip_v(unit, c, nominal_ohm, supply_v) for c in unit.channel}


def _clip_v(unit: Unit, channel: UnitChannel, nominal_ohm: float, supply_v: float) -> float:
    rail_v = channel.output_rail_v or unit.output_rail_v
    if rail_v is not None:
        return rail_v * supply_v / unit.supply_v.nominal
    if not unit.rating:
        raise LookupError(f"channel {channel.name}: neither output_rail_v nor a rating")
    best = min(unit.rating, key=lambda one: _distance(one, nominal_ohm))
    return math.sqrt(2.0 * best.power_w * best.load_ohm) * supply_v / best.supply_v


def _distance(rating: Rating, nominal_ohm: float) -> tuple[float, float, int]:
    """Nearest ohms first; of those the lowest THD (nearest the onset), then the shortest burst (0: steady, last)."""
    apart = abs(math.log(rating.load_ohm / nominal_ohm))
    return (0.0 if apart < OHM_WITHIN else apart), rating.thd_pct, rating.cycles or 10**6
