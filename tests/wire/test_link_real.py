"""What only real time can show: a peer that takes no bytes, a peer that babbles without end. Lower bounds only."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.errors import GarbledReply, LinkTimeout
from drivers.link import LinkModel
from drivers.speaker import Greeting
from sequencer.clock import run_real

NO_GREETING = Greeting(identity_ask="*IDN?", clear="", error_ask="")


@asynccontextmanager
async def _peer(talk: Any) -> AsyncIterator[str]:
    """Serves `talk`; yields the address; afterwards nothing of it is left open."""
    writers: list[asyncio.StreamWriter] = []
    tasks: list[asyncio.Task[None] | None] = []

    async def keeping(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writers.append(writer)
        tasks.append(asyncio.current_task())
        await talk(reader, writer)

    server = await asyncio.start_server(keeping, "127.0.0.1", 0)
    yield f"TCPIP::127.0.0.1::{server.sockets[0].getsockname()[1]}::SOCKET"
    server.close()
    for writer in writers:
        writer.transport.abort()
    await asyncio.wait([task for task in tasks if task is not None])
    await asyncio.sleep(0)


def test_a_write_that_blocks_is_ended_at_its_deadline_and_its_thread_with_it() -> None:
    """32 MB are more than the kernel buffers of both ends (tcp(7): some MB at most)."""

    async def deaf(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(b"Example\n")
        writer.transport.pause_reading()  # type: ignore[attr-defined]

    async def main(clock: Any) -> None:
        async with _peer(deaf) as address:
            await blocked(clock, address)

    async def blocked(clock: Any, address: str) -> None:
        threads = threading.active_count()
        actor = Actor(LinkModel("deaf", address, within_s=0.3), NO_GREETING, clock)
        await actor.open()
        begun_ns = clock.now_ns()
        with pytest.raises(LinkTimeout):
            await actor.tell("x" * 32_000_000)
        assert clock.now_ns() - begun_ns >= 290_000_000
        assert threading.active_count() == threads
        await actor.close()

    run_real(main)


def test_endless_babble_is_cut_at_the_cap_and_not_swallowed() -> None:
    async def babbler(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readline()
        writer.write(b"Example\n")
        await reader.readline()
        try:
            while True:
                writer.write(b"?" * 65_536)
                await writer.drain()
        except ConnectionError:
            pass

    async def main(clock: Any) -> None:
        async with _peer(babbler) as address:
            actor = Actor(LinkModel("babbler", address, within_s=30.0), NO_GREETING, clock)
            with pytest.raises(GarbledReply, match="without a line end"):
                await actor.ask("ASK 1?")
            await actor.close()

    run_real(main)
