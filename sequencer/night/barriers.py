"""The bench's own barriers, where it has them: contacts that must be closed for power and signal, and the relay in the
supply's lead, which is fed only by the watch's loop, so that a night that hangs or dies lets it drop.
"""

from __future__ import annotations

import asyncio

from drivers.errors import SettingRefused
from drivers.timing import Clock
from sequencer.night.hands import CutOff, Hands
from sequencer.night.trips import Trip
from sequencer.plan.models import Bench
from sequencer.safety.rules_events import event

INTERLOCK_OPEN, DROPPED = "interlock open", "cut-off dropped"
LATE_S = 1.0  # beyond its hold time until it counts as stuck (our own judgement)
POLL_S = 0.05


class Barriers:
    """Around one unit. is_held: the relay is to be in, and is fed: from the first time the supply goes on until the
    bench is made safe, since its rail can only be seen through it.
    """

    def __init__(self, hands: Hands, bench: Bench) -> None:
        self._interlock, self._cut_off = hands.interlock, hands.cut_off
        self._names = {one.contact: one.name for one in bench.interlock}
        self._one_by_one = asyncio.Lock()
        self.is_held = False

    @property
    def are_there(self) -> bool:
        return self._interlock is not None or self._cut_off is not None

    async def closed(self) -> None:
        """Raises Trip naming what is open."""
        if self._interlock is None:
            return
        found = await self._interlock.read(tuple(self._names))
        if is_open := [name for contact, name in self._names.items() if not found[contact]]:
            raise _trip(INTERLOCK_OPEN, "interlock", f"{', '.join(is_open)} open")

    async def before_power(self) -> None:
        """All contacts closed, and the relay seen to be in. Raises Trip, InstrumentError."""
        await self.closed()
        if self._cut_off is None:
            return
        async with self._one_by_one:
            await self._cut_off.pull_in()
            self.is_held = True

    async def tend(self) -> None:
        """A turn of the watch. Raises Trip where a contact is open, or where the relay has dropped by itself."""
        await self.closed()
        if self._cut_off is None:
            return
        async with self._one_by_one:
            if self.is_held and not await self._cut_off.feed() and self.is_held:
                raise _trip(DROPPED, "cut_off", "it reads dropped although it was fed")


async def prove(cut_off: CutOff, clock: Clock, hold_s: float) -> dict[str, float]:
    """Fed once and seen in; then not fed, and seen to drop in time. Nothing may be powered meanwhile. Raises Trip."""
    try:
        await cut_off.pull_in()
    except SettingRefused as refused:
        raise Trip(f"{refused}: the cut-off does not pull in, and no unit is powered") from refused
    fed_ns = clock.now_ns()
    while await cut_off.is_in():
        if clock.now_ns() - fed_ns > (hold_s + LATE_S) * 1e9:
            words = f"still in {hold_s + LATE_S:g} s after its last feed, where {hold_s:g} s are set"
            raise Trip(f"cut_off: {words}: no unit is powered")
        await clock.sleep(POLL_S)
    return {"hold_s": hold_s, "dropped_after_s": round((clock.now_ns() - fed_ns) * 1e-9, 2)}


def _trip(rule: str, role: str, sentence: str) -> Trip:
    breach = event(rule, role, sentence)
    return Trip(breach.sentence, breach.name)
