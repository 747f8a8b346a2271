"""A script that gives every race of virtual time a chance to show; run in fresh processes, it must print one hash.

Four instruments share one counter, which every reply shows, so that any other order of events changes the replies.
All durations are equal; groups, two watches on one grid, a queue and an event hand work over at equal instants;
links fail. Real noise that must not matter: 0 to 2 ms before and after each blocking call, as much before the
simulators see bytes, spinning threads. With a name of MUTANTS one rule of virtual time is broken on purpose: then
the noise must show.

    python -m tests.wire.adversary [mutant]
"""

from __future__ import annotations

import asyncio
import hashlib
import random
import sys
import threading
import time
from collections.abc import Awaitable, Callable
from typing import Any

from drivers.actor import Actor
from drivers.errors import InstrumentError
from drivers.link import Link, LinkModel
from drivers.speaker import Greeting
from sequencer.clock import Pace, VirtualClock, real_time_island, run_virtual
from simulators import server as server_module
from simulators.faults import LinkFault, LinkFaults
from simulators.server import InstrumentServer
from tests.wire.mutants import MUTANTS
from tests.wire.text_panel import TextPanel

ROUNDS = 6
GRID_S = 0.004
LONGEST_NOISE_S = 0.002
FAULTS = {
    "a": (LinkFault("late", at_message=9, begins="ASK", for_s=0.039),),  # exactly at the deadline of 40 ms
    "b": (LinkFault("silent", at_message=7, begins="ASK"), LinkFault("half", at_message=12, begins="ASK")),
    "c": (LinkFault("late", at_message=6, begins="ASK", for_s=0.05),),
    "d": (LinkFault("reset", at_message=8, begins="ASK"), LinkFault("surplus", at_message=4, begins="ASK")),
}

Log = list[tuple[object, ...]]


class CountingPanel(TextPanel):
    """Replies with the count of all messages that all instruments have executed."""

    def __init__(self, name: str, count: list[int]) -> None:
        super().__init__(name=name)
        self._count = count

    def execute(self, message: str, now_ns: int) -> Any:
        self._count[0] += 1
        outcome = super().execute(message, now_ns)
        if message.startswith("ASK"):
            return f"{message[4:-1]}/{self._count[0]}\n".encode()
        return outcome


class Script:
    def __init__(self, clock: VirtualClock, actors: dict[str, Actor]) -> None:
        self.clock, self.actors, self.log = clock, actors, list[tuple[object, ...]]()

    async def ask(self, who: str, instrument: str, number: int) -> None:
        await self._note(who, instrument, number, self.actors[instrument].ask(f"ASK {who}{number}?"))

    async def tell(self, who: str, instrument: str, number: int) -> None:
        await self._note(who, instrument, number, self.actors[instrument].tell(f"LEV {number}"))

    async def _note(self, who: str, instrument: str, number: int, exchange: Awaitable[str | None]) -> None:
        try:
            reply = await exchange
        except InstrumentError as error:
            reply = type(error).__name__
        self.log.append((self.clock.now_ns(), who, instrument, number, reply))

    async def groups(self) -> None:
        for i in range(ROUNDS):
            await asyncio.gather(*(self.ask("group", name, i) for name in self.actors))
            await self.tell("group", "abcd"[i % 4], i)

    async def watch(self, who: str, first: str, second: str) -> None:
        begun_ns = self.clock.now_ns()
        for i in range(ROUNDS):
            await self.clock.sleep_until_ns(begun_ns + round(i * GRID_S * 1e9))
            await self.ask(who, first, i)
            await self.ask(who, second, i)

    async def producer(self, queue: asyncio.Queue[int]) -> None:
        for i in range(ROUNDS):
            await self.clock.sleep(GRID_S)
            queue.put_nowait(i)
            queue.put_nowait(i + 100)

    async def consumer(self, who: str, queue: asyncio.Queue[int]) -> None:
        for _ in range(ROUNDS):
            number = await queue.get()
            await self.ask(who, "abcd"[number % 4], number)

    async def hands_over(self) -> None:
        for i in range(ROUNDS // 2):
            event = asyncio.Event()

            async def waits(name: str, event: asyncio.Event = event, i: int = i) -> None:
                await event.wait()
                await self.ask("event", name, i)

            tasks = [asyncio.create_task(waits(name)) for name in self.actors]
            await self.clock.sleep(GRID_S)
            event.set()
            await asyncio.gather(*tasks)

    async def run(self) -> None:
        queue: asyncio.Queue[int] = asyncio.Queue()
        await asyncio.gather(
            self.groups(),
            self.watch("watch one", "a", "b"),
            self.watch("watch two", "b", "a"),
            self.producer(queue),
            self.consumer("first", queue),
            self.consumer("second", queue),
            self.hands_over(),
        )


async def main(clock: VirtualClock) -> tuple[Log, Log]:
    journal: Log = []
    count = [0]
    servers = {
        name: InstrumentServer(CountingPanel(name, count), clock, LinkFaults(faults), lambda *row: journal.append(row))
        for name, faults in FAULTS.items()
    }
    for server in servers.values():
        await server.start()
    greeting = Greeting(identity_begins="Example,")
    actors = {
        name: Actor(LinkModel(name, server.address, within_s=0.04), greeting, clock) for name, server in servers.items()
    }
    script = Script(clock, actors)
    await script.run()
    for actor in actors.values():
        await actor.close()
    for server in servers.values():
        await server.stop()
    return script.log, journal


# Real noise


def _rest(noise: random.Random) -> None:
    time.sleep(noise.random() * LONGEST_NOISE_S)


def add_worker_noise(noise: random.Random) -> None:
    put = Link._put

    def noisy(self: Link, thread: Any, job: Callable[[], Any]) -> Any:
        def late() -> Any:
            _rest(noise)
            try:
                return job()
            finally:
                _rest(noise)

        return put(self, thread, late)

    Link._put = noisy  # type: ignore[method-assign]


def add_receiving_noise(noise: random.Random) -> None:
    """Bytes and ends of connections reach the simulators late, each connection's in their order."""
    connection = server_module._Connection
    received, lost = connection.data_received, connection.connection_lost
    last: dict[int, float] = {}

    def later(self: Any, call: Callable[..., None], argument: Any) -> None:
        loop = asyncio.get_running_loop()
        last[id(self)] = max(loop.time(), last.get(id(self), 0.0)) + noise.random() * LONGEST_NOISE_S
        with real_time_island():
            loop.call_at(last[id(self)], call, self, argument)

    connection.data_received = lambda self, data: later(self, received, data)  # type: ignore[method-assign]
    connection.connection_lost = lambda self, exc: later(self, lost, exc)  # type: ignore[method-assign]


def spin(stop: threading.Event) -> None:
    while not stop.is_set():
        sum(range(500))
        time.sleep(0.0002)


def hashes(logs: tuple[Log, Log]) -> str:
    """One line: hash of the replies with their times, hash of the simulators' journal."""
    return " ".join(hashlib.sha256(repr(log).encode()).hexdigest() for log in logs)


def run(mutant: str | None) -> str:
    """The script's hashes under real noise."""
    noise = random.Random()
    if mutant:
        MUTANTS[mutant]()
    add_worker_noise(noise)
    add_receiving_noise(noise)
    stop = threading.Event()
    spinners = [threading.Thread(target=spin, args=(stop,), daemon=True) for _ in range(2)]
    for spinner in spinners:
        spinner.start()
    try:
        return hashes(run_virtual(main, pace=Pace(watchdog_s=10.0)))
    finally:
        stop.set()


if __name__ == "__main__":
    print(run(sys.argv[1] if len(sys.argv) > 1 else None))
