"""A ledger that is being written, its publisher, and the consumer that ships, all in one loop on real time."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sequencer.clock import RealClock
from sequencer.ledger.store import Ledger
from sequencer.night.book import Book
from sequencer.night.feed import OutboxOfNight
from sequencer.night.keeping import Desk
from sequencer.night.stamps import Stamps
from sequencer.publish.broker_url import Broker
from sequencer.publish.keep_file import KeepFile
from sequencer.publish.listener import Listener, Listening
from sequencer.publish.messages import point_kept
from sequencer.publish.publisher import Publisher
from sequencer.publish.sender import Sender
from tests.sequencer.ledger_rows import LATER, head, point

BENCH: str = head()["bench"]
LIMIT_S = 60.0


async def until(true: Callable[[], bool], limit_s: float = LIMIT_S) -> None:
    async with asyncio.timeout(limit_s):
        while not true():  # noqa: ASYNC110 (what is waited for sets no event)
            await asyncio.sleep(0.01)


@dataclass
class Telling:
    """`keep` rows while `publisher` tells them."""

    desk: Desk
    publisher: Publisher
    said: list[str]
    task: asyncio.Task[None]

    async def keep(self, count: int) -> None:
        await self.desk.book.do(self.desk.ledger.keep_messages, [point_kept(head(), point(), LATER)] * count, "r01")

    async def counts(self) -> Mapping[str, int]:
        return await self.desk.book.do(self.desk.ledger.message_counts)

    async def done(self) -> None:
        self.publisher.finish("finished", "all told")
        async with asyncio.timeout(LIMIT_S):
            await self.task


@contextlib.asynccontextmanager
async def telling(folder: Path, broker: Broker) -> AsyncIterator[Telling]:
    book, clock, said = Book(), RealClock(), list[str]()
    ledger = await book.do(Ledger, folder / "ledger.sqlite")
    await book.do(ledger.begin_run, head())
    desk = Desk(ledger, book, folder, Stamps(clock, datetime(2026, 1, 5, 22, 0, tzinfo=UTC)))
    sender = Sender(broker, BENCH, "nightramp01", desk.stamps.now)
    publisher = Publisher(sender, OutboxOfNight(desk), clock, said.append)
    task = asyncio.create_task(publisher.run())
    try:
        yield Telling(desk, publisher, said, task)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await book.do(ledger.close)
        book.close()


@dataclass
class Hearing:
    """`shown`: what a person would have seen. kept: its file."""

    listener: Listener
    kept: KeepFile
    shown: list[Mapping[str, Any]] = field(default_factory=list)

    @property
    def seqs(self) -> list[int]:
        return [int(body["seq"]) for body in self.shown if body["seq"]]


@contextlib.asynccontextmanager
async def hearing(folder: Path, broker: Broker) -> AsyncIterator[Hearing]:
    kept, shown = KeepFile(folder / "heard.jsonl"), list[Mapping[str, Any]]()
    asked = Listening(broker, BENCH, shown.append, lambda line: None, lambda: datetime.now(UTC), kept)
    one = Hearing(Listener(asked, RealClock()), kept, shown)
    task = asyncio.create_task(one.listener.run())
    try:
        yield one
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        kept.close()
