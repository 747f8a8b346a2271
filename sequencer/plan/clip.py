"""What clipping costs: power, supply current and level of a symmetrically clipped sine, and the volts at which it
clips. Pure.

The closed forms of the clipped sine are those of the analysis; here in units of the clip volts. Mean magnitude, with
a = arcsin r for a sine of peak 1/r cut at +-1: (2/pi)[(1 - cos a)/r + pi/2 - a] (textbook).
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.analysis import hard_clip
from sequencer.plan.models import Rating, Unit, UnitChannel

OHM_WITHIN = 0.05  # a rating speaks for loads within 5 % of its own


def ratio(db: float) -> float:
    """Of two voltages, from decibels."""
    return float(10.0 ** (db / 20.0))


def mean_square(overdrive_db: float) -> float:
    """Of the clipped sine, in units of the squared clip volts; 0.5 when just unclipped."""
    r = np.array([ratio(-overdrive_db)])
    return float((hard_clip.mean_square(r) / r**2)[0])


def mean_magnitude(overdrive_db: float) -> float:
    """Of the clipped sine, in units of the clip volts; 2/pi when just unclipped."""
    r = ratio(-overdrive_db)
    a = math.asin(r)
    return 2.0 / math.pi * ((1.0 - math.cos(a)) / r + math.pi / 2.0 - a)


def overdrive_db(limit_pct: float) -> float:
    """Level above the onset at which THD reaches the limit, dB. ValueError above a square wave's 48.3 %."""
    return hard_clip.hard_clip_overdrive_db(limit_pct / 100.0)


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
