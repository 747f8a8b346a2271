"""The feed of a night: its outbox to a broker while it runs, and a last chance to be told when it is over.

The publisher reads and marks through the ledger's own thread. That is safe for virtual time: work sent from an
island is not counted, so it neither holds time nor moves it; the night's own calls stand in the same queue and are
counted, so time waits for them whatever stands before them; and all the island ever changes is when a message was
sent, which neither results nor messages tell.
"""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from sequencer.clock import RealClock, real_time_island
from sequencer.errors import Fault
from sequencer.ledger.outbox import Outgoing
from sequencer.measurements.requests import BenchReading
from sequencer.measurements.unseen import seen
from sequencer.night.keeping import Desk
from sequencer.night.supervise import Ended, listening
from sequencer.publish.broker_url import Broker
from sequencer.publish.messages import BenchState

if TYPE_CHECKING:
    from sequencer.publish.consumers import OnCommand
    from sequencer.publish.publisher import Publisher

DRAIN_S = 10.0
AFTER_A_CRASH_S = 2.0
GRACE_S = 2.0
SAY_AFTER_S = 1.0
LAST: dict[str, BenchState] = {"done": "finished", "stopped": "stopped", "tripped": "tripped", "fault": "offline"}


@dataclass(frozen=True)
class OutboxOfNight:
    """The outbox, in the ledger's thread."""

    desk: Desk

    async def pending(self, after: int, limit: int) -> Sequence[Outgoing]:
        return await self.desk.book.do(self.desk.ledger.outbox, after, limit, True)

    async def mark_sent(self, seqs: Sequence[int]) -> None:
        await self.desk.book.do(self.desk.ledger.mark_sent, seqs, self.desk.stamps.now())

    async def confirm(self, spans: Sequence[tuple[int, int]], published: int) -> None:
        await self.desk.book.do(self.desk.ledger.confirm, spans, published, self.desk.stamps.now())

    async def between(self, first: int, last: int, limit: int) -> Sequence[Outgoing]:
        return await self.desk.book.do(self.desk.ledger.messages_between, first, last, limit)

    async def unconfirmed(self) -> int:
        counts = await self.desk.book.do(self.desk.ledger.message_counts)
        return counts["pending"] + counts["sent"]

    async def sent_to(self) -> int:
        return await self.desk.book.do(self.desk.ledger.sent_to)

    async def identity(self) -> str:
        return await self.desk.book.do(self.desk.ledger.identity)


@dataclass(frozen=True)
class Told:
    """What became of the messages of a night."""

    broker: str
    sent: int
    remaining: int

    def __str__(self) -> str:
        rest = {0: "none remains", 1: "1 remains"}.get(self.remaining, f"{self.remaining} remain")
        return f"broker {self.broker}: {self.sent} messages sent, {rest} in the outbox"


@dataclass(frozen=True)
class Heard:
    """commands: acts on what somebody wants; None: nobody does. state: what is told of the bench first."""

    commands: OnCommand | None = None
    state: tuple[BenchState, str] | None = None


UNHEARD = Heard()


class Feed:
    """The publisher's task. `finish` once, on any way out."""

    def __init__(self, desk: Desk, publisher: Publisher, broker: Broker, say: Callable[[str], None]) -> None:
        self._desk, self._publisher, self._broker, self._say = desk, publisher, broker, say
        with real_time_island():
            self._task = asyncio.create_task(publisher.run(), name="publisher")
        self._over = False

    def question(self, body: Mapping[str, Any]) -> None:
        """A question to a person."""
        self._publisher.question(body)

    def reading(self, reading: BenchReading, driven: bool) -> None:
        """The watch has read; told if there is room, and nobody waits for it."""
        self._publisher.reading(
            {
                "supply_v": seen(reading.supply_v),
                "supply_a": seen(reading.supply_a),
                "heatsink_c": dict(reading.heatsink_c),
                "driven": driven,
            }
        )

    async def finish(self, state: BenchState, sentence: str, limit_s: float = DRAIN_S) -> Told | None:
        """Waits for the broker to take what is left, at most `limit_s` of real time, or until a signal."""
        self._over = True
        self._publisher.finish(state, sentence)
        with real_time_island():
            await self._drained(limit_s)
            self._publisher.give_up()
            await _ended(self._task)
        try:
            counts = await self._desk.book.do(self._desk.ledger.message_counts)
        except Fault as fault:
            self._say(f"outbox: {fault}")
            return None
        return Told(self._broker.name, counts["sent"] + counts["confirmed"], counts["pending"])

    async def crashed(self) -> None:
        """The night raised: the bench's last word is that nobody is there."""
        if not self._over:
            await self.finish("offline", "ended by an internal fault", AFTER_A_CRASH_S)

    async def _drained(self, limit_s: float) -> None:
        with listening() as stop:
            signal = asyncio.create_task(stop.first.wait(), name="signal while the outbox empties")
            both = (self._task, signal)
            await asyncio.wait(both, timeout=min(SAY_AFTER_S, limit_s), return_when=asyncio.FIRST_COMPLETED)
            if not self._task.done() and not signal.done() and limit_s > SAY_AFTER_S:
                self._say(
                    f"broker {self._broker.name}: waiting up to {limit_s:g} s; Ctrl-C leaves the rest in the outbox"
                )
                await asyncio.wait(both, timeout=limit_s - SAY_AFTER_S, return_when=asyncio.FIRST_COMPLETED)
            signal.cancel()


async def _ended(task: asyncio.Task[None]) -> None:
    """Cancelled, given a moment to say goodbye, cancelled again if the first got lost, then left: it can't hold up the
    way out."""
    for _ in range(2):
        task.cancel()
        await asyncio.wait((task,), timeout=GRACE_S)
    if task.done() and not task.cancelled():
        task.exception()  # taken note of, or asyncio would print it


@asynccontextmanager
async def feeding(
    broker: Broker | None, desk: Desk, bench: str, say: Callable[[str], None], heard: Heard = UNHEARD
) -> AsyncIterator[Feed | None]:
    """The feed to `broker` while the block runs; None without a broker. heard: what consumers may do."""
    if broker is None:
        yield None
        return
    from sequencer.publish.publisher import Publisher
    from sequencer.publish.sender import Sender  # a night without a broker does not load MQTT

    sender = Sender(broker, bench, identifier(desk), desk.stamps.now)
    if heard.state is not None:
        sender = replace(sender, state=heard.state)
    feed = Feed(desk, Publisher(sender, OutboxOfNight(desk), RealClock(), say, heard.commands), broker, say)
    try:
        yield feed
    finally:
        await feed.crashed()


def identifier(desk: Desk) -> str:
    """The same for one ledger, different for two: a broker throws out the elder of two clients of one name.

    MQTT 3.1.1, clause 3.1.3.1 (from memory): each broker takes 1 to 23 characters of 0-9, a-z, A-Z.
    """
    return "nightramp" + hashlib.sha256(str(desk.out.resolve()).encode()).hexdigest()[:12]


def last_word(ended: Ended) -> tuple[BenchState, str]:
    """The status that stays at the broker. Whoever comes late must see a bench that is not confirmed safe."""
    state: BenchState = LAST[ended.way] if ended.confirmed else "not confirmed safe"
    return state, "; ".join(ended.lines)
