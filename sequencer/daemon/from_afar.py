"""What consumers may do with a daemon's queue, and the feed to the broker between two nights."""

from __future__ import annotations

import asyncio
import shlex
from collections.abc import AsyncIterator, Callable
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from drivers.timing import Clock
from sequencer.clock import RealClock
from sequencer.daemon.adding import Wanted, again, entries_of
from sequencer.errors import Fault, InputRefused
from sequencer.ledger.queue import Queue
from sequencer.ledger.store import Ledger
from sequencer.night.book import Book
from sequencer.night.commands import Acts, Commands
from sequencer.night.feed import Heard, feeding
from sequencer.night.keeping import Desk
from sequencer.night.onlook import Onlooker
from sequencer.night.questions import Outcome, Questions
from sequencer.night.stamps import Stamps
from sequencer.plan.inputs import is_path, parse_unit_argument
from sequencer.publish.broker_url import Broker
from sequencer.publish.messages import BenchState

BY_MQTT = "by a command over MQTT"
BY_PAGE = "by a word on the page"
BETWEEN: tuple[BenchState, str] = ("off", "between two nights: nothing is energised")
FAREWELL_S = 2.0
LONGEST = 500
FORM = "PLAN UNIT[@BAY] [LABEL]"
SHIPPED_ONLY = "name shipped plans and units, or what an entry of this queue has named: nobody sends paths to a bench"


@dataclass(frozen=True)
class QueueFromAfar:
    """bench: as given to `serve`. stamp: RFC 3339. by: who asks. Each act is done in a thread, over a connection of its
    own: the night's loop may not stand still while a plan is worked through on paper."""

    ledger: Path
    bench: str
    stamp: Callable[[], str]
    by: str = BY_MQTT

    async def hold(self) -> Outcome:
        return await self._done(lambda queue: _hold(queue, self.by))

    async def go_on(self) -> Outcome:
        """Only what was held from afar: what a trip or a person has held wants a person."""
        return await self._done(_go_on)

    async def add(self, what: str) -> Outcome:
        return await self._done(lambda queue: _add(queue, what, self.bench, self.stamp(), self.by))

    async def _done(self, act: Callable[[Queue], Outcome]) -> Outcome:
        def done() -> Outcome:
            with Queue(self.ledger) as queue:
                return act(queue)

        try:
            return await asyncio.to_thread(done)
        except InputRefused as refused:
            return "refused", "; ".join(map(str, refused.problems))[:LONGEST]
        except Fault as fault:  # another program has it locked
            return "refused", str(fault)[:LONGEST]


def _hold(queue: Queue, by: str) -> Outcome:
    return "done", f"held: {_numbers(queue.hold(None, by))}; what is under way goes on to its end"


def _go_on(queue: Queue) -> Outcome:
    went, stayed = [], []
    for entry in queue.entries("held"):
        if entry.why not in (BY_MQTT, BY_PAGE):
            continue
        try:
            queue.go_on(entry.number, again(entry))
            went.append(entry.number)
        except InputRefused:
            stayed.append(entry.number)
    refused = f"; refused on paper now: {_numbers(stayed)}" if stayed else ""
    return "done", f"waiting again: {_numbers(went)}{refused}"


def _add(queue: Queue, what: str, bench: str, at: str, by: str) -> Outcome:
    try:
        words = shlex.split(what)
    except ValueError as error:
        return "refused", f"{FORM}: {error}"
    if not 2 <= len(words) <= 3:
        return "refused", FORM
    if _has_paths(words, queue):
        return "refused", SHIPPED_ONLY
    wanted = Wanted(words[0], words[1], label=words[2] if len(words) == 3 else "", note=by)
    there = queue.entries("waiting", "taken", "held")
    return "done", f"added: {_numbers(queue.add(entries_of([wanted], bench, there), at))}"


def _has_paths(words: list[str], queue: Queue) -> bool:
    """A path that no entry has named: what is read from a disk is for whoever is at this machine to say."""
    known = {one for entry in queue.entries() for one in (entry.plan, entry.unit.partition(":")[0])}
    try:
        named = (words[0], str(parse_unit_argument(words[1]).file))
    except ValueError:
        return False  # said by the queue itself
    return any(is_path(one) and one not in known for one in named)


def _numbers(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers)) or "none"


@dataclass(frozen=True)
class Reach:
    """Where a daemon is told of, and by whom it may be told what. bench_path: as given to `serve`. now: wall time, with
    its offset."""

    ledger: Path
    broker: Broker | None
    bench: str
    bench_path: str
    say: Callable[[str], None]
    now: Callable[[], datetime]


class FromAfar:
    """The broker between two nights; and, where that is allowed, the commands, in nights too. latched: a trip of the
    bench holds, until a person lets the queue go on."""

    def __init__(self, reach: Reach, clock: Clock, *, commands: bool, onlooker: Onlooker | None = None) -> None:
        """onlooker: a page, which may ask for the same, whether or not MQTT may."""
        self._reach, self.latched = reach, False
        self._feed, self._is_on = AsyncExitStack(), False
        queue = QueueFromAfar(reach.ledger, reach.bench_path, lambda: reach.now().isoformat(timespec="seconds"))
        questions = Questions(clock, reach.now)
        self.commands = Commands(Acts(lambda: self.latched, queue, questions), reach.say) if commands else None
        self.onlooker = onlooker
        if onlooker is not None:
            acts = Acts(lambda: self.latched, replace(queue, by=BY_PAGE), questions)
            onlooker.takes(Commands(acts, reach.say, "on the page"))

    async def between_nights(self) -> None:
        """What waits in the outbox is told and commands are heard, until `before_night`. Once or more often."""
        if self._reach.broker is None or self._is_on:
            return
        self._is_on = True
        if self.commands:
            self.commands.acts.is_tripped = lambda: self.latched
        await self._feed.enter_async_context(self._told(self._reach.broker))

    async def before_night(self) -> None:
        """A night wants to be the ledger's only writer."""
        self._is_on = False
        await self._feed.aclose()

    @asynccontextmanager
    async def _told(self, broker: Broker) -> AsyncIterator[None]:
        reach, book = self._reach, Book()
        try:
            opened = await book.do(Ledger, reach.ledger)
        except (Fault, InputRefused) as error:
            reach.say(f"outbox: {error}")
            book.close()
            yield
            return
        try:
            desk = Desk(opened, book, reach.ledger.parent, Stamps(RealClock(), reach.now()))
            async with feeding(broker, desk, reach.bench, reach.say, Heard(self.commands, BETWEEN)) as feed:
                yield
                if feed:
                    await feed.finish(*BETWEEN, FAREWELL_S)
        finally:
            await book.do(opened.close)
            book.close()
