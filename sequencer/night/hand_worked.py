"""A bench without a remote supply, or without a relay bank: who stands in for them asks a person, and believes what the
digitiser shows of it.

Nothing here switches anything. "Off" is what the rail shows at the unit, where an input sees it; a person's word is no
proof, and is never told as one.
"""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from drivers.errors import InstrumentError
from drivers.timing import Clock
from sequencer.measurements.by_hand import DONE, NO
from sequencer.measurements.requests import Answer, Ask, Deed
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.trips import Trip

WITHIN_PCT = 5.0  # a knob, a meter beside it and the lead at idle (our own judgement)
OFF_V = 2.0
LOOK_EVERY_S = 1.0
DOWN_WITHIN_S = 120.0  # large reservoirs bleed for two minutes (our own judgement)
SETTLES_S = 0.5
TRIES = 2

UNSEEN = math.nan


class NotDoneByHand(Exception):
    """A person was to do something before a point, and nobody said that it was done. The point is not measured."""


class NotOffByHand(Trip):
    """Nobody said that the supply is off, or the rail shows that it is not."""


@dataclass(frozen=True)
class Seen:
    """At the unit, by the digitiser: V and A, nan where no input sees it."""

    volts: float = UNSEEN
    amps: float = UNSEEN


@dataclass(frozen=True)
class NoSigns:
    """What a supply without a remote line says of limits and trips: nothing."""

    in_current_limit: bool = False
    limited_since_last: bool = False
    tripped: str | None = None


class Look(Protocol):
    """At the rail, and at an ammeter beside it; the digitiser must have nothing else to do."""

    async def __call__(self) -> Seen: ...
    async def zero(self) -> None: ...


class SupplyByHand:
    """Stands in for the supply's driver. `attend` hands it a person and a look at the rail before the night begins.

    is_on: as a person was told, and said.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._asking: Asking = nobody_there
        self._say: Callable[[str], None] = lambda line: None
        self._look: Look | None = None
        self._over_v: float | None = None
        self._limit_a = 0.0
        self._wanted_v: float | None = None
        self._on_mains = self._was_said_off = False
        self.is_on = False

    def attend(self, asking: Asking, say: Callable[[str], None], look: Look | None, *, on_mains: bool = False) -> None:
        """on_mains: the volts are those of a variable transformer, which the rail does not show."""
        self._asking, self._say, self._look, self._on_mains = asking, say, look, on_mains

    async def prepare(self) -> None:
        """Nothing to prepare."""

    async def trip_above(self, volts: float) -> None:
        """Told with the volts: a person sets it."""
        self._over_v = volts

    async def set(self, volts: float, limit_a: float) -> None:
        """Told when it is switched on; while it is on, at once. Raises NotDoneByHand."""
        before_v = self._wanted_v
        changed = volts != self._wanted_v or limit_a != self._limit_a
        self._wanted_v, self._limit_a = volts, limit_a
        if self.is_on and self._on_mains:
            changed = changed and volts != before_v
        if self.is_on and changed:
            await self._set_by_a_person(f"Set the supply to {self._words}, and leave it on")

    async def output(self, on: bool) -> None:
        """Raises NotDoneByHand where it is not said, or seen, to be on; NotOffByHand where not to be off."""
        if on and not self.is_on and self._look is not None:
            await self._look.zero()
        if on and self._on_mains:
            await self._set_by_a_person(f"The signal is off. Raise the variable transformer slowly to {self._words}")
            self.is_on = True
        elif on:
            await self._set_by_a_person(f"The signal is off. Set the supply to {self._words}; then switch it on")
            self.is_on = True
        elif self.is_on or (self._look is not None and not await self._is_down()):
            await self.make_safe()
            await self._seen_down()

    async def read(self) -> Seen:
        """What the digitiser sees; it must have nothing else to do."""
        return Seen() if self._look is None else await self._look()

    async def status(self) -> NoSigns:
        return NoSigns()

    async def clear_trip(self) -> None:
        """A person has done it."""

    async def make_safe(self) -> None:
        """Until a person says that it is off, or the rail shows it. Raises NotOffByHand."""
        said_off = self._look is None and self._was_said_off and not self.is_on
        if said_off or await self._is_down():
            self.is_on = False
            return
        what = "variable transformer down and the mains" if self._on_mains else "supply"
        self._say(f"A PERSON MUST SWITCH THE {what.upper()} OFF: software can't")
        ask = Ask(f"Switch the {what} off now, then say so.", (DONE, NO), NO, deed=Deed("supply", on=False))
        asked = asyncio.ensure_future(self._asking(ask))
        try:
            while not asked.done():
                with suppress(TimeoutError):
                    async with self._clock.deadline(LOOK_EVERY_S):
                        await asyncio.wait((asked,))
                if not asked.done() and await self._is_down():
                    self.is_on = False
                    return
            if asked.result().choice != DONE:
                raise NotOffByHand("nobody said that the supply was switched off")
        finally:
            asked.cancel()
        self.is_on, self._was_said_off = False, True

    async def _seen_down(self) -> None:
        """Before hands are near the outputs. Raises NotOffByHand where the rail stays up."""
        if self._look is None:
            return
        for _ in range(round(DOWN_WITHIN_S / LOOK_EVERY_S)):
            if await self._is_down():
                return
            await self._clock.sleep(LOOK_EVERY_S)
        self.is_on = True
        raise NotOffByHand(f"the supply was said to be off; {(await self._look()).volts:.3g} V are seen at the unit")

    async def _is_down(self) -> bool:
        if self._look is None:
            return False
        try:
            return abs((await self._look()).volts) < OFF_V
        except InstrumentError:  # told by whoever looks at the outputs
            return False

    @property
    def _words(self) -> str:
        if self._on_mains:
            return f"{self._wanted_v:g} V"
        over = "" if self._over_v is None else f", its over-voltage trip to {self._over_v:.3g} V if it has one"
        return f"{self._wanted_v:g} V, its current limit to {self._limit_a:.3g} A{over}"

    async def _set_by_a_person(self, words: str) -> None:
        """Asked once more where the rail shows other volts than a person says."""
        wanted_v, shown = self._wanted_v or 0.0, ""
        deed = Deed("supply", volts=wanted_v, limit_a=self._limit_a, on=True)
        for _ in range(TRIES):
            answer: Answer = await self._asking(Ask(f"{shown}{words}, then say so.", (DONE, NO), NO, deed=deed))
            if answer.choice != DONE:
                raise NotDoneByHand(f"a person must set the supply to {wanted_v:g} V; nobody said that it was done")
            await self._clock.sleep(SETTLES_S)
            volts = (await self.read()).volts
            if self._on_mains or math.isnan(volts) or abs(volts - wanted_v) <= WITHIN_PCT / 100.0 * wanted_v:
                return
            shown = f"{volts:.3g} V are seen at the unit where {wanted_v:g} V are wanted. "
        self.is_on = True  # it may be: whoever ends the point asks for it to be off
        raise NotDoneByHand(f"the supply was said to be at {wanted_v:g} V; {volts:.3g} V are seen at the unit")


class LoadsByHand:
    """Stands in for the load switch: it has no contacts, so that nothing is closed and nothing opens."""

    reads_back = True  # nothing of it is unseen

    async def prepare(self) -> None:
        """Nothing to prepare."""

    async def close(self, contacts: Sequence[str]) -> None:
        self._none(contacts)

    async def open(self, contacts: Sequence[str]) -> None:
        self._none(contacts)

    async def open_all(self) -> None:
        """What a person connected stays there."""

    async def states(self, contacts: Sequence[str]) -> Mapping[str, bool]:
        self._none(contacts)
        return {}

    def _none(self, contacts: Sequence[str]) -> None:
        if contacts:
            raise ValueError(f"this bench has no load switch for contacts {', '.join(contacts)}")
