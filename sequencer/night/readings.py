"""Slow readings of the bench while one unit is powered: supply and heat sinks, the latter by the rules' own limits."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from drivers.errors import NotANumber
from drivers.timing import Clock
from sequencer.measurements.requests import BenchReading
from sequencer.night.hands import Hands
from sequencer.night.unit_state import UnitState
from sequencer.night.wiring import SUPPLY_WITHIN_PCT
from sequencer.safety.rules import Breach
from sequencer.safety.rules_heat import sensor_open, too_hot


@dataclass(frozen=True)
class Readings:
    """tripped: the exception of a breach, by the point that is measured now."""

    hands: Hands
    clock: Clock
    state: UnitState
    tripped: Callable[[Breach], Exception]

    async def temperatures(self) -> Mapping[str, float]:
        """Heat sinks in degC by channel, those that are wired. Raises what `tripped` makes of a breach."""
        run = self.state.run
        own = run.unit.channel_names()  # a bay may have more thermometers than the unit has channels
        wired = {channel: name for channel, name in run.bay.thermometer.items() if channel in own}
        if not wired:
            return {}
        try:
            seen = await self.hands.thermometer.read(list(wired.values()))
        except NotANumber as no_number:
            raise self.tripped(sensor_open(str(no_number))) from no_number
        temps = {channel: seen[name] for channel, name in wired.items()}
        hottest = max(temps, key=lambda name: temps[name])
        if (breach := too_hot(hottest, temps[hottest], run.unit.heat.trip_c)) is not None:
            raise self.tripped(breach)
        return temps

    async def look(self) -> BenchReading:
        """As the watch looks: a supply that holds its volts neither limits nor has tripped, and is not asked for its
        signs, so that what it latched stays for the shot to read."""
        if "supply" in self.hands.by_hand:  # nothing reads it beside the digitiser, which may be waiting for a burst
            return BenchReading(math.nan, math.nan, False, None, await self.temperatures(), self.clock.now_ns())
        set_v = self.state.wiring.supply_v or 0.0
        reading = await self.hands.supply.read()
        if abs(reading.volts - set_v) > SUPPLY_WITHIN_PCT / 100.0 * set_v:
            status = await self.hands.supply.status()
            limited, tripped = status.in_current_limit, status.tripped
        else:
            limited, tripped = False, None
        temps = await self.temperatures()
        return BenchReading(reading.volts, reading.amps, limited, tripped, temps, self.clock.now_ns())

    async def between_shots(self) -> BenchReading:
        """As a search asks, after each of its shots: by the digitiser would cost it its settings every time."""
        return await (self.look() if "supply" in self.hands.by_hand else self.read())

    async def read(self) -> BenchReading:
        """As a measurement asks: with the supply's signs, which this clears."""
        reading, status = await self.hands.supply.read(), await self.hands.supply.status()
        temps = await self.temperatures()
        return BenchReading(
            reading.volts, reading.amps, status.in_current_limit, status.tripped, temps, self.clock.now_ns()
        )
