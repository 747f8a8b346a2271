"""Heat sinks and their sensors: too hot, too fast, one far from the other; open, implausible, silent, not following
the heat that goes in. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from sequencer.measurements.requests import BenchReading
from sequencer.safety.rules_model import HARMLESS_VRMS, Breach, Scope
from sequencer.safety.rules_sensor import FOLLOWS_PART, JUMP_K, JUMP_WITHIN_S, WORTH_K, Sensor

RISE_K_PER_S = 1.5  # common practice, no source
PLAUSIBLE_C = (-20.0, 150.0)  # of a heat sink in a workshop (our own judgement)
SAME_FOR_S = 60.0  # to the last digit
COOLS_WITHIN_S = 300.0  # time constant where the unit's file gives no K/W: a small heat sink with a fan
COOLS_FASTER = 0.5  # of the declared time constant: a fan, a draught, +-15 % of K/W
APART_K = 40.0  # healthy sides stay within 20 K; one that is badly mounted meets a stop limit first (our own judgement)
EVEN_K = 5.0  # together again
ALIKE_PART = 0.8  # of the other side's volts: 1 dB of gain each, and a measure of sag


@dataclass
class HeatRules:
    """All sensors of one unit; lives as long as the unit is powered. alike: driven alike since last even."""

    sensors: dict[str, Sensor] = field(default_factory=dict)
    alike: bool = False

    def heat(self, scope: Scope, joules: Mapping[str, float], at_ns: int) -> None:
        """joules: heat of a burst in each channel's output devices; at_ns: when it was over."""
        for name, heat_j in joules.items():
            if name in self.sensors:
                self.sensors[name].heat(heat_j / scope.unit.heatsink_j_per_k, at_ns)

    def drive(self, scope: Scope, volts: Mapping[str, float]) -> None:
        """volts: rms at the outputs that were seen; one that was not may have been anything."""
        most_v = max(volts.values(), default=0.0)
        if most_v < HARMLESS_VRMS:
            return
        seen = set(scope.thermometers) <= set(volts)
        self.alike = self.alike and seen and min(volts.values()) >= ALIKE_PART * most_v

    def hear(self, scope: Scope, reading: BenchReading) -> Breach | None:
        temps = {}
        for name in scope.thermometers:
            celsius = reading.heatsink_c.get(name)
            if celsius is None or math.isnan(celsius):
                return sensor_open(f"the thermometer of channel {name} shows nothing", name)
            temps[name] = celsius
            sensor = self.sensors.setdefault(name, Sensor(cools_within_s(scope)))
            sensor.read(celsius, reading.at_ns)
            if (found := next(_breaches(scope, name, sensor), None)) is not None:
                return found
        return self._apart(temps)

    def _apart(self, temps: Mapping[str, float]) -> Breach | None:
        if not temps:
            return None
        hot, cool = max(temps, key=lambda n: temps[n]), min(temps, key=lambda n: temps[n])
        apart_k = temps[hot] - temps[cool]
        self.alike = self.alike or apart_k <= EVEN_K
        if not self.alike or apart_k <= APART_K:
            return None
        words = f"heat sink of channel {hot} is {apart_k:.1f} K hotter than that of {cool}, though driven alike"
        return Breach("heat sinks apart", words, "difference of heat sinks, K", apart_k, APART_K, hot)


def cools_within_s(scope: Scope) -> float:
    """The shortest time constant a heat sink of this unit may have, s."""
    k_per_w = scope.unit.heatsink_k_per_w
    return COOLS_WITHIN_S if k_per_w is None else COOLS_FASTER * k_per_w * scope.unit.heatsink_j_per_k


def _breaches(scope: Scope, name: str, sensor: Sensor) -> Iterator[Breach]:
    yield from _implausible(name, sensor)
    yield from _too_hot(scope, name, sensor)
    yield from _silent(name, sensor)
    owed = sensor.anchored
    if owed is not None and owed.rise_k >= WORTH_K and sensor.risen_k < FOLLOWS_PART * owed.rise_k:
        least_k = FOLLOWS_PART * owed.rise_k
        words = (
            f"the thermometer of channel {name} rose by {sensor.risen_k:.1f} K where heat worth at least "
            f"{owed.rise_k:.1f} K went in: sensor not following"
        )
        yield Breach("sensor not following", words, "rise of heat sink, K", sensor.risen_k, least_k, name)


def _implausible(name: str, sensor: Sensor) -> Iterator[Breach]:
    (low, high), celsius = PLAUSIBLE_C, sensor.readings[-1][1]
    if celsius < low or celsius > high:
        limit = low if celsius < low else high
        words = f"the thermometer of channel {name} shows {celsius:.4g} degC, beyond {limit:g} degC: not plausible"
        yield Breach("sensor implausible", words, "heat sink, degC", celsius, limit, name)
    jumped_k = abs(sensor.jumped_k)
    if jumped_k > JUMP_K:
        words = f"the thermometer of channel {name} jumped by {jumped_k:.1f} K within {JUMP_WITHIN_S:g} s"
        yield Breach("sensor implausible", words, "change of heat sink, K", jumped_k, JUMP_K, name)


def sensor_open(told: str, channel: str | None = None) -> Breach:
    """told: what showed it. channel: None where a reading of several does not say which."""
    return Breach("sensor open", f"{told}: sensor open", "heat sink, degC", None, None, channel)


def too_hot(name: str, celsius: float, trip_c: float) -> Breach | None:
    """One reading on its own, for who has no readings before it."""
    if celsius < trip_c:
        return None
    words = f"heat sink of channel {name} at {celsius:.1f} degC (trip limit {trip_c:g} degC)"
    return Breach("heat sink", words, "heat sink, degC", celsius, trip_c, name)


def _too_hot(scope: Scope, name: str, sensor: Sensor) -> Iterator[Breach]:
    if (hot := too_hot(name, sensor.readings[-1][1], scope.unit.heat.trip_c)) is not None:
        yield hot
    if (rise := sensor.rise_k_per_s) > RISE_K_PER_S:
        words = f"heat sink of channel {name} rises by {rise:.2g} K/s (trip limit {RISE_K_PER_S:g} K/s)"
        yield Breach("heat sink rising", words, "rise of heat sink, K/s", rise, RISE_K_PER_S, name)


def _silent(name: str, sensor: Sensor) -> Iterator[Breach]:
    owed, same_s = sensor.unchanged, sensor.unchanged_s
    if owed is not None and same_s >= SAME_FOR_S and owed.rise_k >= WORTH_K:
        words = (
            f"the thermometer of channel {name} has shown {owed.start_c:.4g} degC for {same_s:.0f} s, while heat worth "
            f"{owed.rise_k:.1f} K went in: sensor silent"
        )
        yield Breach("sensor silent", words, "same reading, s", same_s, SAME_FOR_S, name)
