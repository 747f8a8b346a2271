"""Thermal resistances and heat capacities: the closed forms between two changes of power."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.world.unit_truth import HeatTruth


@dataclass(frozen=True)
class Warmth:
    """Temperatures in degC of a unit's channels at an instant, and nothing driven since.

    celsius: of the heat sinks. devices: of what sits on them; the same where the truth has no devices of their own.
    """

    at_ns: int
    celsius: tuple[float, ...]
    devices: tuple[float, ...] = ()

    def device_c(self, index: int) -> float:
        return self.devices[index] if self.devices else self.celsius[index]

    @property
    def mean_device_c(self) -> float:
        found = self.devices or self.celsius
        return sum(found) / len(found) if found else 25.0

    @property
    def hottest_device_c(self) -> float:
        return max(self.devices or self.celsius, default=-273.15)

    def sensed_c(self, index: int, heat: HeatTruth) -> float:
        """What a thermometer there sees."""
        part = heat.sensor_part
        return self.celsius[index] + part * (self.device_c(index) - self.celsius[index])


def later_c(start_c: float, power_w: float, elapsed_s: float, heat: HeatTruth) -> float:
    """Temperature after `elapsed_s` of constant power: T = Tend + (T0 - Tend) exp(-t / RC), in degC."""
    end_c = heat.ambient_c + power_w * heat.k_per_w
    return end_c + (start_c - end_c) * math.exp(-elapsed_s / (heat.k_per_w * heat.j_per_k))


def both_later_c(
    start_c: tuple[float, float], power_w: float, elapsed_s: float, heat: HeatTruth, mounting_k_per_w: float = 0.0
) -> tuple[float, float]:
    """(devices, heat sink) after `elapsed_s` of constant power into the devices, in degC.

    Cd Td' = P - (Td - Ts) / Rd, Cs Ts' = (Td - Ts) / Rd - (Ts - Ta) / Rs; x' = M x for the distance x from the end, and
    exp(M t) = (e1 (M - m2) - e2 (M - m1)) / (m1 - m2) with the eigenvalues m1, m2 (theorem of Cayley and Hamilton).
    """
    ohm_d, ohm_s = heat.device_k_per_w + mounting_k_per_w, heat.k_per_w
    a, b = -1.0 / (ohm_d * heat.device_j_per_k), 1.0 / (ohm_d * heat.device_j_per_k)
    c, d = 1.0 / (ohm_d * heat.j_per_k), -(1.0 / ohm_d + 1.0 / ohm_s) / heat.j_per_k
    half, root = 0.5 * (a + d), math.sqrt(0.25 * (a - d) ** 2 + b * c)
    m1, m2 = half + root, half - root
    e1, e2 = math.exp(m1 * elapsed_s) / (m1 - m2), math.exp(m2 * elapsed_s) / (m1 - m2)
    end_s = heat.ambient_c + power_w * ohm_s
    end_d = end_s + power_w * ohm_d
    x, y = start_c[0] - end_d, start_c[1] - end_s
    device = e1 * ((a - m2) * x + b * y) - e2 * ((a - m1) * x + b * y)
    heatsink = e1 * (c * x + (d - m2) * y) - e2 * (c * x + (d - m1) * y)
    return end_d + device, end_s + heatsink
