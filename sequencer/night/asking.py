"""Who answers a question that a measurement asks of a person: nobody, or whoever typed the word at this terminal."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import TextIO

from drivers.timing import Clock
from sequencer.measurements.requests import Answer, Ask
from sequencer.plan.cost import ANSWER_WITHIN_S

Asking = Callable[[Ask], Awaitable[Answer]]


async def nobody_there(ask: Ask) -> Answer:
    """What is assumed when nobody answers."""
    return Answer(ask.otherwise, by_a_person=False)


@dataclass(frozen=True)
class AtTerminal:
    """Asks the person at a terminal; the night's watch goes on meanwhile. lines: what is typed, by its descriptor."""

    lines: TextIO
    say: Callable[[str], None]
    clock: Clock

    async def __call__(self, ask: Ask) -> Answer:
        """One of the choices as typed; anything else is asked again. Nothing for 15 min: as if nobody were there."""
        self.say(f"{ask.question} Type one of: {ask.answers} (nothing for a while: {ask.otherwise})")
        try:
            async with self.clock.deadline(ANSWER_WITHIN_S):
                while not ask.accepts(typed := (await self._line()).strip().lower()):
                    self.say(f"one of: {ask.answers}")
        except (TimeoutError, EOFError):
            return await nobody_there(ask)
        return Answer(typed, by_a_person=True)

    async def _line(self) -> str:
        """Raises EOFError where the terminal is closed."""
        loop = asyncio.get_running_loop()
        ready: asyncio.Future[None] = loop.create_future()
        loop.add_reader(self.lines.fileno(), _settle, ready)
        try:
            await ready
        finally:
            loop.remove_reader(self.lines.fileno())
        line = self.lines.readline()
        if not line:
            raise EOFError
        return line


def _settle(ready: asyncio.Future[None]) -> None:
    if not ready.done():
        ready.set_result(None)
