"""One thermal resistance and one heat capacity: the closed form between two changes of power."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.world.unit_truth import HeatTruth


@dataclass(frozen=True)
class Warmth:
    """Temperatures in degC of a unit's channels at an instant, and nothing driven since."""

    at_ns: int
    celsius: tuple[float, ...]


def later_c(start_c: float, power_w: float, elapsed_s: float, heat: HeatTruth) -> float:
    """Temperature after `elapsed_s` of constant power: T = Tend + (T0 - Tend) exp(-t / RC), in degC."""
    end_c = heat.ambient_c + power_w * heat.k_per_w
    return end_c + (start_c - end_c) * math.exp(-elapsed_s / (heat.k_per_w * heat.j_per_k))
