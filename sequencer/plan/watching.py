"""How often a powered unit is looked at: as seldom as its fastest heating allows. Pure.

A look every 0.2 s under drive and every second without always does. A longer period is taken only where, by the unit's
file, the hottest thing that can happen within it and while the bench is being made safe stays below the margin
between the stop limit of the heat sinks and their trip limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit

DRIVEN_S, UNDRIVEN_S = 0.2, 1.0  # always enough (common practice, no source)
LONGEST_DRIVEN_S, LONGEST_UNDRIVEN_S = 1.0, 5.0  # our own choice
FED_S = 0.5  # where each turn feeds a cut-off (our own choice)
MAKE_SAFE_S = 6.0  # two acts of 3 s each, at worst
IDLE_GONE_UP = 2.0  # idle current beyond its trip limit of 1.5 x, until it is seen (our own judgement)


@dataclass(frozen=True)
class Periods:
    """Seconds between two looks."""

    driven_s: float = DRIVEN_S
    undriven_s: float = UNDRIVEN_S


@dataclass(frozen=True)
class Heating:
    """Of the hottest channel's heat sink, K/s, on paper."""

    driven_k_per_s: float
    undriven_k_per_s: float


def fastest_heating(unit: Unit, bench: Bench) -> Heating:
    """One channel into the bench's lowest load at the highest supply volts, the air taking nothing. Raises LookupError
    where nothing says where the unit clips."""
    volts = unit.supply_v.max
    law = heat_law(unit, volts)
    idle_w = law.idle_w / len(unit.channel_names())
    ohms = [ohm for load in bench.load.values() for ohm in load.ohm.values()]
    clip_v = max(clip_volts(unit, unit.minimum_load_ohm, volts).values())
    most_w = max(law.most_heat_w(clip_v**2 / 2.0 / ohm, ohm) for ohm in ohms)
    capacity = unit.heatsink_j_per_k
    return Heating((most_w + idle_w) / capacity, IDLE_GONE_UP * idle_w / capacity)


def periods(unit: Unit, bench: Bench) -> Periods:
    """The longest that the bound allows; of a bench with a cut-off no longer than FED_S."""
    longest = _by_heat(unit, bench)
    if "cut_off" not in bench.role:
        return longest
    return Periods(min(longest.driven_s, FED_S), min(longest.undriven_s, FED_S))


def _by_heat(unit: Unit, bench: Bench) -> Periods:
    margin_k = unit.heat.trip_c - unit.heat.stop_c
    try:
        heating = fastest_heating(unit, bench)
    except LookupError:
        return Periods()
    return Periods(
        _longest(heating.driven_k_per_s, margin_k, DRIVEN_S, LONGEST_DRIVEN_S),
        _longest(heating.undriven_k_per_s, margin_k, UNDRIVEN_S, LONGEST_UNDRIVEN_S),
    )


def _longest(k_per_s: float, margin_k: float, least_s: float, most_s: float) -> float:
    allowed_s = margin_k / k_per_s - MAKE_SAFE_S if k_per_s > 0.0 else math.inf
    return min(max(allowed_s, least_s), most_s)
