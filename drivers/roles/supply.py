"""The supply of the unit: volts under a current limit and an over-voltage trip, both set before the volts."""

from __future__ import annotations

import math
from contextlib import suppress
from dataclasses import dataclass
from typing import Literal

from drivers.dialect import Dialect
from drivers.errors import CeilingPassed, InstrumentError, SettingRefused
from drivers.reply_text import bits_set, reading_values
from drivers.roles.common import Conversation, Put
from drivers.speaker import Speaker

Trip = Literal["over_voltage", "over_current", "too_hot"]
_TRIPS: tuple[Trip, ...] = ("over_voltage", "over_current", "too_hot")


@dataclass(frozen=True)
class SupplyCeilings:
    """Nothing may exceed these: volts in V, amps (limit) in A. The trip is set to over_voltage_trip_v, or below it."""

    volts: float
    amps: float
    over_voltage_trip_v: float

    def __post_init__(self) -> None:
        if not all(math.isfinite(x) and x > 0 for x in (self.volts, self.amps, self.over_voltage_trip_v)):
            raise ValueError(f"ceilings must be finite and positive: {self}")
        if self.over_voltage_trip_v <= self.volts:
            raise ValueError(f"the over-voltage trip must lie above the ceiling of volts: {self}")


@dataclass(frozen=True)
class SupplyReading:
    """volts in V, amps in A; of one meter window where the instrument can do that."""

    volts: float
    amps: float


@dataclass(frozen=True)
class SupplyStatus:
    """in_current_limit: now. limited_since_last: at any time since the last status. tripped: what, or None; a trip
    since the last status counts, though it be gone."""

    in_current_limit: bool
    limited_since_last: bool
    tripped: Trip | None


class Supply:
    """Call `prepare` first, and again whenever the link was reopened: until then nothing is energised."""

    def __init__(self, speaker: Speaker, dialect: Dialect, ceilings: SupplyCeilings) -> None:
        self._talk = Conversation(speaker, dialect)
        self._speaker = speaker
        self._dialect = dialect
        self._ceilings = ceilings
        self._is_set = False
        self._trip_v = ceilings.over_voltage_trip_v

    async def prepare(self) -> None:
        """Output off, 0 V, over-voltage trip and current limit at their ceilings, each read back.

        Raises SettingRefused, also while a trip stands: clearing it is a person's decision.
        """
        self._talk.forget()
        self._is_set, self._trip_v = False, self._ceilings.over_voltage_trip_v
        await self._talk.put("output off", Put("output", False))
        openings = self._speaker.openings
        # 0 V first: a trip below the volts left from before would be refused.
        await self._talk.put(
            "preparation",
            Put("volts", 0.0),
            Put("over_voltage_trip", self._trip_v),
            Put("limit", self._ceilings.amps),
        )
        await self.status()  # drops what was latched before our time
        if (tripped := (await self.status()).tripped) is not None:
            raise SettingRefused(self._speaker.name, f"its {tripped} trip stands: find the cause, then clear it")
        self._talk.prepared(openings)

    async def trip_above(self, volts: float) -> None:
        """The over-voltage trip for what is powered next, V: the lesser of this and the ceiling's, read back. It holds
        until it is set again or `prepare` is called. Call it with the output off: 0 V are set first, and volts must be
        set anew. Raises CeilingPassed (nothing was sent), SettingRefused.
        """
        if not (math.isfinite(volts) and volts > 0):
            raise CeilingPassed(self._speaker.name, f"an over-voltage trip at {volts!r} V is none; nothing was sent")
        self._talk.require_prepared("setting the over-voltage trip")
        self._is_set, self._trip_v = False, min(volts, self._ceilings.over_voltage_trip_v)
        await self._talk.put("setting the over-voltage trip", Put("volts", 0.0), Put("over_voltage_trip", self._trip_v))
        self._talk.require_prepared("setting the over-voltage trip")

    async def set(self, volts: float, limit_a: float) -> None:
        """Current limit, then volts, read back. Raises CeilingPassed (nothing was sent), SettingRefused."""
        self._check("volts", volts, self._ceilings.volts, "V")
        self._check("current limit", limit_a, self._ceilings.amps, "A")
        self._talk.require_prepared("setting volts")
        self._is_set = False
        await self._talk.put("setting volts", Put("limit", limit_a), Put("volts", volts))
        await self._talk.compare(Put("over_voltage_trip", self._trip_v))
        self._talk.require_prepared("setting volts")
        self._is_set = True

    async def output(self, on: bool) -> None:
        """Switch the output and read it back. On is refused before `prepare` and `set`."""
        if not on:
            await self._talk.put("output off", Put("output", False))
            return
        self._talk.require_prepared("output on")
        if not self._is_set:
            raise SettingRefused(self._speaker.name, "output on refused: volts were not set")
        # A restarted instrument would have lost its trip level: this asks for it just before.
        await self._talk.compare(Put("over_voltage_trip", self._trip_v))
        try:
            await self._talk.put("output on", Put("output", True))
            self._talk.require_prepared("output on")
        except InstrumentError:
            with suppress(InstrumentError):  # the first error says more
                await self.make_safe()
            raise

    async def read(self) -> SupplyReading:
        """Volts and amps as its meter has them. Raises NotANumber for an overload."""
        found: dict[str, float] = {}
        for part in self._dialect.reading("measured"):
            reply = await self._speaker.ask(self._dialect.reading_asked(part))
            found |= reading_values(part, reply, self._speaker.name)
        return SupplyReading(found["volts"], found["amps"])

    async def status(self) -> SupplyStatus:
        """Live and latched signs. Reading clears the latched ones, so there must be one reader only."""
        live: set[str] = set()
        latched: set[str] = set()
        for register in self._dialect.status:
            ask = self._dialect.question(register.ask, 1 if register.byte else None, raw=register.byte)
            reply = await self._speaker.ask(ask)
            (latched if register.latched else live).update(bits_set(register, reply, self._speaker.name))
        limited = "in_current_limit" in live
        tripped = next((t for t in _TRIPS if t in live | latched), None)
        return SupplyStatus(limited, limited or "in_current_limit" in latched, tripped)

    async def clear_trip(self) -> None:
        """Output off, then clear. Only after a person found the cause, or a plan allows one more try."""
        await self._talk.put("output off", Put("output", False))
        if self._dialect.has_act("clear_trip"):  # else it clears with the output
            await self._speaker.tell(*self._dialect.act("clear_trip"))
        await self._talk.drain("clearing a trip")
        await self.status()

    def make_safe_lines(self) -> tuple[str, ...]:
        """Messages that switch it off from any state, without waiting for replies."""
        return self._dialect.make_safe_lines()

    async def make_safe(self, within_s: float | None = None) -> None:
        """Output off before all that waits, and read back. Raises SettingRefused if it still reads on."""
        await self._talk.make_safe("output", within_s)

    def _check(self, what: str, value: float, ceiling: float, unit: str) -> None:
        if not (math.isfinite(value) and 0 <= value <= ceiling):
            sentence = f"{what} of {value!r} {unit} is not within 0 to {ceiling:g} {unit}; nothing was sent"
            raise CeilingPassed(self._speaker.name, sentence)
