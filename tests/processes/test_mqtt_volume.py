"""Thousands of messages from a real ledger to a real Mosquitto: rate, restarts, kills, a freeze.

Truths: the ledger's own outbox for what must arrive; a bare loop of the client library, measured in the same run, for
the rate; MQTT 3.1.1 (OASIS, from memory), 4.3.2, for who owns what was acknowledged.
"""

from __future__ import annotations

import asyncio
import contextlib
import signal
import socket
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

import aiomqtt
import pytest

from sequencer.clock import RealClock
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger
from sequencer.night.book import Book
from sequencer.night.feed import OutboxOfNight
from sequencer.night.keeping import Desk
from sequencer.night.stamps import Stamps
from sequencer.publish.broker_url import Broker
from sequencer.publish.publisher import Publisher
from sequencer.publish.sender import Sender
from tests.processes.broker import real_broker
from tests.processes.listener import Reader, reading

pytestmark = pytest.mark.process
MANY = 2000
WINDOW = 20
FLOOR = 0.3  # of the bare loop's rate: a 40 ms stall a window would give some 0.03
KEPT, KEPT_FLOOR = 2000, 0.7  # of the rate of a bare loop that keeps, publishes and marks, one after the other
LIMIT_S = 60.0


@dataclass
class Feeding:
    """A ledger with an outbox, and its publisher under way."""

    desk: Desk
    publisher: Publisher
    task: asyncio.Task[None]
    said: list[str] = field(default_factory=list)

    async def done(self) -> None:
        self.publisher.finish("finished", "all told")
        async with asyncio.timeout(LIMIT_S):
            await self.task

    async def pending(self) -> set[int]:
        return {one.seq for one in await self.desk.book.do(self.desk.ledger.outbox, 0, -1, True)}

    async def until_marked(self) -> None:
        """All that is kept is sent, and the ledger says so."""
        async with asyncio.timeout(LIMIT_S):
            while (await self.desk.book.do(self.desk.ledger.message_counts))["pending"]:  # noqa: ASYNC110 (as below)
                await asyncio.sleep(0.001)

    async def until_sent(self, count: int) -> None:
        async with asyncio.timeout(LIMIT_S):
            while self.publisher.sent < count:  # noqa: ASYNC110 (nothing sets an event here)
                await asyncio.sleep(0.001)


@contextlib.asynccontextmanager
async def feeding(folder: Path, port: int, count: int) -> AsyncIterator[Feeding]:
    book, clock, said = Book(), RealClock(), list[str]()
    ledger = await book.do(Ledger, folder / "ledger.sqlite")
    messages = [Message("nightramp/1/b/point", {"text": "x" * 450}, False) for _ in range(count)]
    await book.do(ledger.keep_messages, messages)
    desk = Desk(ledger, book, folder, Stamps(clock, datetime(2026, 1, 5, 22, 0, tzinfo=UTC)))
    sender = Sender(Broker("127.0.0.1", port), "b", "nightramp01", desk.stamps.now)
    publisher = Publisher(sender, OutboxOfNight(desk), clock, said.append)
    task = asyncio.create_task(publisher.run())
    try:
        yield Feeding(desk, publisher, task, said)
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await book.do(ledger.close)
        book.close()


async def bare_rate(port: int) -> float:
    """Messages a second of the client library alone: the same size, QoS and window, no ledger."""
    room = asyncio.Semaphore(WINDOW)
    nodelay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    async with aiomqtt.Client("127.0.0.1", port, socket_options=nodelay) as client:
        client.pending_calls_threshold = WINDOW + 2

        async def one() -> None:
            await client.publish("bare", "x" * 500, qos=1)
            room.release()

        began_s = time.perf_counter()
        async with asyncio.TaskGroup() as group:
            for _ in range(MANY):
                await room.acquire()
                group.create_task(one())
        return MANY / (time.perf_counter() - began_s)


async def test_no_stall_a_message_at_a_broker_as_it_ships(tmp_path: Path) -> None:
    """The broker's socket options are as it ships; nobody subscribes, so only publishing is measured. Best of three."""
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        ours, bare = 0.0, 0.0
        for number in range(3):
            bare = max(bare, await bare_rate(broker.port))
            folder = tmp_path / str(number)
            folder.mkdir()
            async with feeding(folder, broker.port, MANY) as one:
                began_s = time.perf_counter()
                await one.until_marked()
                ours = max(ours, MANY / (time.perf_counter() - began_s))
                await one.done()
    print(f"\npublished from the ledger and marked: {ours:.0f}/s; bare client: {bare:.0f}/s; ratio {ours / bare:.2f}")
    assert ours / bare >= FLOOR


async def bare_loop(path: Path, port: int) -> float:
    """Messages a second of the least that keeps, publishes and marks, one after the other: SQLite as durable as a
    ledger (WAL, FULL), one commit to insert, one publish with QoS 1, one commit to mark."""
    import sqlite3

    database = sqlite3.connect(path, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE outbox (seq INTEGER PRIMARY KEY, payload TEXT NOT NULL, sent_at TEXT) STRICT")
    nodelay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    async with aiomqtt.Client("127.0.0.1", port, socket_options=nodelay) as client:
        began_s = time.perf_counter()
        for seq in range(KEPT):
            database.execute("INSERT INTO outbox (seq, payload) VALUES (?, ?)", (seq, "x" * 500))
            await client.publish("bare", "x" * 500, qos=1)
            database.execute("UPDATE outbox SET sent_at = '2026-01-05' WHERE seq = ?", (seq,))
        rate = KEPT / (time.perf_counter() - began_s)
    database.close()
    return rate


async def test_kept_one_by_one_they_go_as_fast_as_a_bare_loop_would_send_them(tmp_path: Path) -> None:
    """Each in a commit of its own, as points are; published and marked beside. The best of three pairs."""
    message = Message("nightramp/1/b/point", {"text": "x" * 450}, False)
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        pairs = list[tuple[float, float]]()
        for number in range(3):
            folder = tmp_path / str(number)
            folder.mkdir()
            bare = await bare_loop(folder / "bare.sqlite", broker.port)
            async with feeding(folder, broker.port, 0) as one:
                began_s = time.perf_counter()
                for _ in range(KEPT):
                    await one.desk.book.do(one.desk.ledger.keep_messages, [message])
                await one.until_marked()
                pairs.append((KEPT / (time.perf_counter() - began_s), bare))
                await one.done()
    ours, bare = max(pairs, key=lambda pair: pair[0] / pair[1])
    print(f"\nkept, published, marked: {ours:.0f}/s; bare loop: {bare:.0f}/s; ratio {ours / bare:.2f}")
    assert ours / bare >= KEPT_FLOOR


async def test_a_broker_ended_and_restarted_in_the_middle_loses_nothing(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, feeding(tmp_path, broker.port, MANY) as one:
            await one.until_sent(MANY // 3)
            broker.down()
            assert one.publisher.sent < MANY, "there was no middle"
            broker.up()
            await one.done()
            await reader.until(MANY)
            assert reader.seqs == list(range(1, MANY + 1))
            assert await one.pending() == set()
            assert repeats(reader) <= 2 * WINDOW  # what was on its way: to the broker, and from it to the reader


async def test_after_a_kill_all_that_was_not_acknowledged_arrives(tmp_path: Path) -> None:
    """Acknowledged is in a broker's memory, no more: only what was acknowledged before the kill may be missing."""
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, feeding(tmp_path, broker.port, MANY) as one:
            await one.until_sent(MANY // 3)
            broker.down(signal.SIGKILL)
            acked = one.publisher.sent
            assert acked < MANY, "there was no middle"
            broker.up()
            await one.done()
            await reader.until(MANY, limit_s=3.0)
            missing = set(range(1, MANY + 1)) - set(reader.seqs)
            print(f"\nkill -9: {acked} acknowledged before, {len(missing)} of them missing at the reader")
            assert missing <= set(range(1, acked + WINDOW + 1))
            assert await one.pending() == set()
            assert len(one.said) == len(set(one.said))


async def test_a_broker_frozen_beyond_the_time_out_loses_nothing(tmp_path: Path) -> None:
    with real_broker(tmp_path / "broker") as broker:
        broker.up()
        async with reading(broker.port) as reader, feeding(tmp_path, broker.port, MANY) as one:
            await one.until_sent(MANY // 3)
            broker.tell(signal.SIGSTOP)
            assert one.publisher.sent < MANY, "there was no middle"
            async with asyncio.timeout(LIMIT_S):
                while not one.said:  # noqa: ASYNC110 (nothing sets an event here)
                    await asyncio.sleep(0.01)
            broker.tell(signal.SIGCONT)
            await one.done()
            await reader.until(MANY)
            assert reader.seqs == list(range(1, MANY + 1))
            assert await one.pending() == set()
            assert "timed out" in one.said[0]


def repeats(reader: Reader) -> int:
    rows = [one["id"] for one in reader.got if one["seq"]]
    return len(rows) - len(set(rows))
