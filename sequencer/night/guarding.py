"""The guardian as the night sees it: it is beaten while the night makes progress, and its end is a trip."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Protocol

from drivers.timing import Clock

BEAT_S = 0.1
STALE_S = 3.0  # beyond the watch's own period: it waits for an instrument that does not answer (our own judgement)


class Lifeline(Protocol):
    """The pipe to the guardian's process. gone: set once that process has ended or no longer reads."""

    @property
    def gone(self) -> asyncio.Event: ...
    def beat(self) -> None: ...
    async def goodbye(self) -> None: ...
    async def hand_over(self) -> bool: ...


class Alive(Protocol):
    """Who else wants to hear that the night makes progress. watched: it does, for as long as this is set."""

    watched: bool

    def alive(self) -> None: ...


class Progress(Protocol):
    """What shows that work goes on: the night's watch, say."""

    def is_late(self, now_ns: int, by_s: float) -> bool: ...


class Guarding:
    """Beats from the loop that is supervised, so that a blocked loop is silent."""

    def __init__(self, lifeline: Lifeline, clock: Clock, also: Alive | None = None) -> None:
        """also: hears each beat too."""
        self._lifeline, self._clock, self._also = lifeline, clock, also

    @property
    def gone(self) -> asyncio.Event:
        return self._lifeline.gone

    @asynccontextmanager
    async def beating(self, watch: Progress) -> AsyncIterator[None]:
        """As long as the watch makes progress, or has nothing to watch."""
        task = asyncio.create_task(self._beat(watch), name="heartbeat")
        self._tell_watched(True)
        try:
            yield
        finally:
            self._tell_watched(False)
            task.cancel()
            await asyncio.wait((task,))

    async def part(self, *, confirmed: bool) -> str | None:
        """At the end, with all our links closed: a bench that was not confirmed safe is the guardian's to try. Returns
        what came of that."""
        if confirmed:
            await self._lifeline.goodbye()
            return None
        saw = "saw" if await self._lifeline.hand_over() else "could not see"
        return f"the guardian tried with links of its own, and {saw} signal, supply and rail off"

    async def _beat(self, watch: Progress) -> None:
        while True:
            if not watch.is_late(self._clock.now_ns(), STALE_S):
                self._lifeline.beat()
                if self._also is not None:
                    self._also.alive()
            await self._clock.sleep(BEAT_S)

    def _tell_watched(self, watched: bool) -> None:
        if self._also is not None:
            self._also.watched = watched
