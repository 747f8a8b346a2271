"""What a unit draws and keeps as heat, on paper: class B out of an inner rail, a converter, the idle current. Pure.

Class B (textbook): the load's current, rectified, comes out of the rail; at a crest of x times the rail 4 x / pi of
the full power is drawn and x^2 of it delivered. AB draws the same once driven; of D and H it is an upper bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts
from sequencer.plan.models import Unit

CONVERTER_EFFICIENCY = 0.85  # common practice, no source
RAIL_OVER = 1.1  # a reservoir at rest, over the crest that a rating's loaded one left (our own judgement)
IDLE_OVER = 1.25  # of the idle current as last measured, where the file gives no window (our own judgement)
MEAN_OF_RMS = 2.0 * math.sqrt(2.0) / math.pi  # rectified mean of a sine (textbook)


@dataclass(frozen=True)
class HeatLaw:
    """rail_v: the inner rail at rest. converter: its efficiency, 1 without one. idle_w: drawn without signal."""

    rail_v: float = 0.0
    converter: float = 1.0
    idle_w: float = 0.0

    @property
    def drawn_v(self) -> float:
        """Watts out of the supply for each ampere (rectified mean) in a load."""
        return self.rail_v / self.converter

    def drawn_w(self, power_w: float, ohm: float) -> float:
        """For one channel's sine of so many watts, idle left out."""
        return self.drawn_v * MEAN_OF_RMS * math.sqrt(power_w / ohm)

    def most_heat_w(self, power_w: float, ohm: float) -> float:
        """The most that one channel's stage and converter keep at any sine up to so many watts, idle left out.

        The maximum of 4 k x / pi - x^2 lies at x = 2 k / pi; k = drawn_v over the sine's crest.
        """
        if power_w <= 0.0:
            return 0.0
        k = self.drawn_v / math.sqrt(2.0 * power_w * ohm)
        x = min(2.0 * k / math.pi, 1.0)
        return power_w * max(4.0 * k * x / math.pi - x**2, 0.0)


def heat_law(unit: Unit, supply_v: float) -> HeatLaw:
    """By the unit's file, every figure at its upper end. Raises LookupError where nothing says where it clips."""
    nominal = {rating.load_ohm for rating in unit.rating} or {unit.minimum_load_ohm}
    crest_v = max(volts for ohm in nominal for volts in clip_volts(unit, ohm, supply_v).values())
    converter = CONVERTER_EFFICIENCY if unit.front_end == "converter" else 1.0
    return HeatLaw(RAIL_OVER * crest_v, converter, idle_most_a(unit) * supply_v)


def idle_most_a(unit: Unit) -> float:
    """Amperes without signal at most; 0 where the file says nothing of them."""
    if unit.idle_current.window_a:
        return unit.idle_current.window_a[1]
    return IDLE_OVER * (unit.fingerprint.idle_a or 0.0)
