"""Heat sinks and their sensors: too hot, too fast, open, silent, not following the heat that goes in. Pure.

How far a sensor should have risen is a lower bound: one heat sink of the declared J/K that loses its heat twice as
fast as declared, x' = q / C - (T0 + x - Ta) / tau, and only the class B law's heat of the bursts, idle left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.measurements.requests import BenchReading
from sequencer.safety.rules_model import Breach, Scope

RISE_K_PER_S = 1.5  # common practice, no source
RISE_OVER_S = 2.0  # readings nearer than this differ by their noise
PLAUSIBLE_C = (-20.0, 150.0)  # of a heat sink in a workshop (our own judgement)
SAME_READINGS = 20  # to the last digit
WORTH_K = 4.0  # of heat: less may hide in noise and draught
FOLLOWS_PART = 0.25  # of a rise that is itself a lower bound
COOLS_WITHIN_S = 300.0  # time constant where the unit's file gives no K/W: a small heat sink with a fan
COOLS_FASTER = 0.5  # of the declared time constant: a fan, a draught, +-15 % of K/W
AMBIENT_AT_MOST_C = 25.0  # a unit that comes in warm must not make the room look warm
ANCHOR_FOR_S = 600.0


@dataclass
class Expected:
    """The rise a sensor owes since it read start_c, K."""

    start_c: float
    began_ns: int
    rise_k: float = 0.0

    def cool(self, seconds: float, tau_s: float, ambient_c: float) -> None:
        """x' = -(T0 + x - Ta) / tau for so long; never below nought."""
        above_k = max(self.start_c - ambient_c, 0.0)
        self.rise_k = max((self.rise_k + above_k) * math.exp(-seconds / tau_s) - above_k, 0.0)


@dataclass
class Sensor:
    """One channel's readings as they come."""

    tau_s: float
    readings: list[tuple[int, float]] = field(default_factory=list)  # (ns, degC): the last few seconds
    lowest_c: float = AMBIENT_AT_MOST_C
    same: int = 0
    at_ns: int = 0
    unchanged: Expected | None = None  # since the reading last changed
    anchored: Expected | None = None  # since it was last seen to follow

    def heat(self, kelvin: float, at_ns: int) -> None:
        """Heat went in, in kelvin by the declared J/K."""
        self._cool_to(at_ns)
        for owed in (self.unchanged, self.anchored):
            if owed is not None:
                owed.rise_k += kelvin

    def read(self, celsius: float, at_ns: int) -> None:
        self._cool_to(at_ns)
        last = self.readings[-1] if self.readings else None
        self.lowest_c = min(self.lowest_c, celsius)
        if last is not None and last[1] == celsius:
            self.same += 1
        else:
            self.same, self.unchanged = 1, Expected(celsius, at_ns)
        if self._to_be_anchored(celsius, at_ns):
            self.anchored = Expected(celsius, at_ns)
        older = [r for r in self.readings if at_ns - r[0] >= RISE_OVER_S * 1e9]
        self.readings = [*older[-1:], *(r for r in self.readings if r not in older), (at_ns, celsius)]

    @property
    def rise_k_per_s(self) -> float:
        """Since the newest reading at least two seconds older; 0 where there is none."""
        (then_ns, then_c), (now_ns, now_c) = self.readings[0], self.readings[-1]
        seconds = (now_ns - then_ns) / 1e9
        return (now_c - then_c) / seconds if seconds >= RISE_OVER_S else 0.0

    @property
    def risen_k(self) -> float:
        """Since the anchor."""
        return self.readings[-1][1] - self.anchored.start_c if self.anchored else 0.0

    def _to_be_anchored(self, celsius: float, at_ns: int) -> bool:
        owed = self.anchored
        if owed is None:
            return True
        if owed.rise_k >= WORTH_K:
            return celsius - owed.start_c >= FOLLOWS_PART * owed.rise_k
        return at_ns - owed.began_ns > ANCHOR_FOR_S * 1e9

    def _cool_to(self, at_ns: int) -> None:
        seconds, self.at_ns = max(at_ns - self.at_ns, 0) / 1e9, max(at_ns, self.at_ns)
        for owed in (self.unchanged, self.anchored):
            if owed is not None:
                owed.cool(seconds, self.tau_s, self.lowest_c)


@dataclass
class HeatWatch:
    """All sensors of one unit; lives as long as the unit is powered."""

    sensors: dict[str, Sensor] = field(default_factory=dict)

    def heat(self, scope: Scope, joules: Mapping[str, float], at_ns: int) -> None:
        """joules: heat of a burst in each channel's output devices; at_ns: when it was over."""
        for name, heat_j in joules.items():
            if name in self.sensors:
                self.sensors[name].heat(heat_j / scope.unit.heatsink_j_per_k, at_ns)

    def hear(self, scope: Scope, reading: BenchReading) -> Breach | None:
        for name in scope.thermometers:
            celsius = reading.heatsink_c.get(name)
            if (found := _implausible(name, celsius)) is not None:
                return found
            assert celsius is not None
            sensor = self.sensors.setdefault(name, Sensor(cools_within_s(scope)))
            sensor.read(celsius, reading.at_ns)
            if (found := next(_breaches(scope, name, sensor), None)) is not None:
                return found
        return None


def cools_within_s(scope: Scope) -> float:
    """The shortest time constant a heat sink of this unit may have, s."""
    k_per_w = scope.unit.heatsink_k_per_w
    return COOLS_WITHIN_S if k_per_w is None else COOLS_FASTER * k_per_w * scope.unit.heatsink_j_per_k


def _implausible(name: str, celsius: float | None) -> Breach | None:
    low, high = PLAUSIBLE_C
    if celsius is None or math.isnan(celsius):
        words = f"the thermometer of channel {name} shows nothing: sensor open"
        return Breach("sensor open", words, "heat sink, degC", None, None, name)
    if low <= celsius <= high:
        return None
    limit = low if celsius < low else high
    words = f"the thermometer of channel {name} shows {celsius:.4g} degC, beyond {limit:g} degC: sensor open"
    return Breach("sensor open", words, "heat sink, degC", celsius, limit, name)


def _breaches(scope: Scope, name: str, sensor: Sensor) -> Iterator[Breach]:
    celsius, trip_c = sensor.readings[-1][1], scope.unit.heat.trip_c
    if celsius >= trip_c:
        words = f"heat sink of channel {name} at {celsius:.1f} degC (trip limit {trip_c:g} degC)"
        yield Breach("heat sink", words, "heat sink, degC", celsius, trip_c, name)
    if (rise := sensor.rise_k_per_s) > RISE_K_PER_S:
        words = f"heat sink of channel {name} rises by {rise:.2g} K/s (trip limit {RISE_K_PER_S:g} K/s)"
        yield Breach("heat sink rising", words, "rise of heat sink, K/s", rise, RISE_K_PER_S, name)
    owed = sensor.unchanged
    if sensor.same >= SAME_READINGS and owed is not None and owed.rise_k >= WORTH_K:
        words = (
            f"the thermometer of channel {name} has shown {celsius:.4g} degC {sensor.same} times, while heat worth "
            f"{owed.rise_k:.1f} K went in: sensor silent"
        )
        yield Breach("sensor silent", words, "equal readings", float(sensor.same), float(SAME_READINGS), name)
    owed = sensor.anchored
    if owed is not None and owed.rise_k >= WORTH_K and sensor.risen_k < FOLLOWS_PART * owed.rise_k:
        least_k = FOLLOWS_PART * owed.rise_k
        words = (
            f"the thermometer of channel {name} rose by {sensor.risen_k:.1f} K where heat worth at least "
            f"{owed.rise_k:.1f} K went in: sensor not following"
        )
        yield Breach("sensor not following", words, "rise of heat sink, K", sensor.risen_k, least_k, name)
