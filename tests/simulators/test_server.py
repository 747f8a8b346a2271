"""The simulated instrument's TCP side, asked by plain streams: order, costs, waiting, caps, one connection at
a time.

Expected instants are sums of the costs that the test's own panel declares.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from sequencer.clock import VirtualClock, run_virtual
from simulators.faults import FaultWatch, LinkFault, LinkFaults, Occasion
from simulators.panel import Wait
from simulators.server import InstrumentServer
from tests.wire.bench_of_one import MS
from tests.wire.text_panel import TextPanel


class Client:
    """A connection without any account of work: good enough where nobody else moves time."""

    def __init__(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.reader, self.writer = reader, writer

    async def ask(self, text: bytes) -> bytes:
        self.writer.write(text)
        return await self.reader.readline()

    async def close(self) -> None:
        self.writer.close()
        await self.writer.wait_closed()


@asynccontextmanager
async def serving(clock: VirtualClock, panel: TextPanel, **options: Any) -> AsyncIterator[InstrumentServer]:
    server = InstrumentServer(panel, clock, **options)
    await server.start()
    try:
        yield server
    finally:
        await server.stop()


async def connect(server: InstrumentServer) -> Client:
    return Client(*await asyncio.open_connection("127.0.0.1", server.port))


def test_messages_of_two_connections_are_served_in_one_queue() -> None:
    async def main(clock: VirtualClock) -> None:
        async with serving(clock, TextPanel(cost_s_each=0.01)) as server:
            one, two = await connect(server), await connect(server)
            answers = await asyncio.gather(one.ask(b"ASK 1?\n"), two.ask(b"ASK 2?\n"))
            assert answers == [b"1\n", b"2\n"]
            assert clock.now_ns() == 20 * MS
            await one.close()
            await two.close()

    run_virtual(main)


def test_several_messages_in_one_chunk_and_one_message_in_several() -> None:
    async def main(clock: VirtualClock) -> None:
        async with serving(clock, TextPanel()) as server:
            client = await connect(server)
            assert await client.ask(b"LEV 3\nLEV?\r\nLE") == b"3\n"
            assert await client.ask(b"V?\n") == b"3\n"
            await client.close()

    run_virtual(main)


def test_a_message_costs_at_least_a_fifth_of_a_millisecond() -> None:
    async def main(clock: VirtualClock) -> int:
        async with serving(clock, TextPanel(cost_s_each=0.0)) as server:
            client = await connect(server)
            for _ in range(10):
                await client.ask(b"ASK 1?\n")
            await client.close()
            return clock.now_ns()

    assert run_virtual(main) == 10 * MS // 5


def test_wait_until_asks_the_panel_again_at_that_instant() -> None:
    async def main(clock: VirtualClock) -> int:
        async with serving(clock, TextPanel(waits={"DONE?": Wait(70 * MS)})) as server:
            client = await connect(server)
            assert await client.ask(b"DONE?\n") == b"DONE\n"
            await client.close()
            return clock.now_ns()

    assert run_virtual(main) == 70 * MS


def test_wait_without_end_hangs_until_somebody_connects_anew() -> None:
    panel = TextPanel(waits={"DONE?": Wait(None)})

    async def main(clock: VirtualClock) -> None:
        async with serving(clock, panel) as server:
            first = await connect(server)
            hung = asyncio.create_task(first.ask(b"DONE?\nASK 1?\n"))
            await clock.sleep(3600.0)
            assert not hung.done()
            second = await connect(server)
            assert await second.ask(b"ASK 2?\n") == b"2\n"
            assert await hung == b"1\n", "the hung message is dropped, what queued behind it is served"
            assert panel.connections == 2
            await first.close()
            await second.close()

    run_virtual(main)


def test_with_one_connection_the_second_is_ignored_until_the_first_goes() -> None:
    async def main(clock: VirtualClock) -> None:
        async with serving(clock, TextPanel(), single_connection=True) as server:
            first, second = await connect(server), await connect(server)
            waiting = asyncio.create_task(second.ask(b"ASK 2?\n"))
            assert await first.ask(b"ASK 1?\n") == b"1\n"
            await clock.sleep(10.0)
            assert not waiting.done()
            await first.close()
            assert await waiting == b"2\n"
            await second.close()

    run_virtual(main)


def test_a_flood_without_line_end_does_not_stay_in_memory_and_the_next_line_is_served() -> None:
    async def main(clock: VirtualClock) -> None:
        async with serving(clock, TextPanel()) as server:
            client = await connect(server)
            for _ in range(64):
                client.writer.write(b"x" * 65_536)
                await client.writer.drain()
            assert await client.ask(b"\nASK 1?\n") == b"1\n"
            assert all(len(connection._rest) <= 65_536 for connection in server._connections)
            await client.close()

    run_virtual(main)


def test_a_flood_of_messages_is_cut_and_the_journal_says_so() -> None:
    journal: list[tuple[int, str, str, bytes | None]] = []

    async def main(clock: VirtualClock) -> None:
        async with serving(clock, TextPanel(), log=lambda *row: journal.append(row)) as server:
            client = await connect(server)
            client.writer.write(b"LEV 1\n" * 10_000)
            await client.writer.drain()
            await clock.sleep(60.0)
            assert await client.ask(b"ASK 1?\n") == b"1\n"
            await client.close()

    run_virtual(main)
    assert 10_000 > sum(message == "LEV 1" for _, _, message, _ in journal) >= 4096
    assert any(message == "(queue full)" for _, _, message, _ in journal)


def test_the_journal_holds_what_the_panel_said_and_the_client_what_was_made_of_it() -> None:
    journal: list[tuple[int, str, str, bytes | None]] = []

    async def main(clock: VirtualClock) -> None:
        faults = LinkFaults(rewrite=lambda message, reply: reply.replace(b"1", b"7"))
        async with serving(clock, TextPanel(), faults=faults, log=lambda *row: journal.append(row)) as server:
            client = await connect(server)
            assert await client.ask(b"ASK 10?\n") == b"70\n"
            await client.close()

    run_virtual(main)
    assert journal == [(MS, "text", "ASK 10?", b"10\n")]


def _struck(watch: FaultWatch, times_ns: range, message: str = "ASK 1?") -> list[int]:
    return [ns for ns in times_ns if watch.after(Occasion("text", message, ns, True)) is not None]


def test_chance_strikes_as_often_as_declared() -> None:
    """Binomial, n = 10,000, p = 0.1: five standard deviations are 5 * sqrt(10,000 * 0.1 * 0.9) = 150."""
    watch = FaultWatch(LinkFaults((LinkFault("silent", probability=0.1, times=None),), seed=3))
    assert abs(len(_struck(watch, range(0, 10_000 * MS, MS))) - 1000) < 150


def test_chance_depends_on_the_moment_and_not_on_how_much_else_was_asked() -> None:
    faults = LinkFaults((LinkFault("silent", probability=0.2, begins="ASK", times=None),), seed=3)
    alone = _struck(FaultWatch(faults), range(0, 1000 * MS, MS))
    polled = FaultWatch(faults)
    beside = []
    for ns in range(0, 1000 * MS, MS):
        polled.after(Occasion("text", "LEV?", ns, True))
        polled.after(Occasion("text", "ASK poll?", ns + 1, True))
        beside += _struck(polled, range(ns, ns + 1))
    assert alone == beside
    other_seed = LinkFaults(faults.faults, seed=4)
    assert _struck(FaultWatch(other_seed), range(0, 1000 * MS, MS)) != alone


def test_a_fault_by_time_strikes_the_first_message_after_it_and_only_once() -> None:
    watch = FaultWatch(LinkFaults((LinkFault("silent", at_s=0.5),)))
    assert _struck(watch, range(0, 1000 * MS, 100 * MS)) == [500 * MS]


def test_a_fault_from_the_nth_message_on_may_strike_several_times() -> None:
    watch = FaultWatch(LinkFaults((LinkFault("silent", at_message=3, times=2),)))
    assert _struck(watch, range(8)) == [2, 3]
