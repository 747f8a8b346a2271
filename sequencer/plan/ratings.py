"""Which of a unit's ratings speaks for a point. Pure."""

from __future__ import annotations

from sequencer.plan.clip import OHM_WITHIN
from sequencer.plan.models import Rating, Unit

VOLTS_WITHIN = 0.02  # a rating speaks for supply volts within 2 % of its own


def rating_for(unit: Unit, nominal_ohm: float, supply_v: float, channels: int) -> Rating | None:
    """The rating of this load, supply and so many channels driven: of the lowest distortion, a continuous one first."""
    fitting = [
        one
        for one in unit.rating
        if abs(one.load_ohm / nominal_ohm - 1.0) < OHM_WITHIN
        and abs(one.supply_v / supply_v - 1.0) < VOLTS_WITHIN
        and one.channels_driven >= channels
    ]
    return min(fitting, key=lambda one: (one.thd_pct, one.cycles), default=None)
