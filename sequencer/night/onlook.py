"""Who looks on at a night from a thread of its own, and may stop it or answer it: a page, or nobody.

What it is told it is told on the night's own loop: nothing here may raise, block or wait.
"""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime
from typing import TYPE_CHECKING, Protocol

from drivers.timing import Clock
from sequencer.measurements.requests import BenchReading
from sequencer.night.asking import Asking
from sequencer.night.commands import Acts, Commands, wall
from sequencer.night.questions import Questions

if TYPE_CHECKING:
    from sequencer.night.keeping import Keeper
    from sequencer.night.night import Night
    from sequencer.night.setup import NightPlan
    from sequencer.safety.make_safe import Report

Tell = Callable[[BenchReading, bool], None]


class Onlooker(Protocol):
    """commands: what it may ask for, handed over on the loop that acts on them."""

    commands: Commands | None

    def takes(self, commands: Commands) -> None: ...
    def night_begun(self, plan: NightPlan, start: datetime) -> None:
        """start: wall time at the clock's nought."""

    def reading(self, reading: BenchReading, driven: bool) -> None: ...
    def making_safe(self, report: Report, over: bool) -> None:
        """After each act; `over` after the last one."""

    def night_over(self, lines: list[str]) -> None:
        """How it ended."""


class Looking:
    """A night that is looked on at. lines: how it ended, for a person."""

    def __init__(self, onlooker: Onlooker | None) -> None:
        self._onlooker, self.lines = onlooker, list[str]()

    def tells(self, *others: Tell | None) -> Tell | None:
        """All of them in one; None where there are none."""
        told = [one for one in (*others, self._onlooker.reading if self._onlooker else None) if one is not None]
        if len(told) < 2:
            return told[0] if told else None

        def tell(reading: BenchReading, driven: bool) -> None:
            for one in told:
                one(reading, driven)

        return tell


@asynccontextmanager
async def looking_on(onlooker: Onlooker | None, work: Night, keeper: Keeper, start: datetime) -> AsyncIterator[Looking]:
    """While the night goes: it is told, and what it asks for is held against this night's own trips."""
    looking = Looking(onlooker)
    if onlooker is None:
        yield looking
        return
    acts = onlooker.commands.acts if onlooker.commands else None
    before = acts.is_tripped if acts else None
    if acts is not None:
        acts.is_tripped = lambda: work.latched
    keeper.hears_safe = onlooker.making_safe
    onlooker.night_begun(work.plan, start)
    try:
        yield looking
    finally:
        onlooker.night_over(looking.lines)
        if acts is not None and before is not None:
            acts.is_tripped = before


def asking_on(onlooker: Onlooker | None, asking: Asking, say: Callable[[str], None], clock: Clock | None) -> Asking:
    """Who is asked in a single night with this onlooker. clock: of the night, where the onlooker's questions wait for
    somebody; None: they are not asked there."""
    if onlooker is None:
        return asking
    questions = None if clock is None else Questions(clock, wall)
    onlooker.takes(Commands(Acts(lambda: False, questions=questions), say, "on the page"))
    return questions or asking
