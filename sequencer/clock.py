"""The two clocks, and how to run a main function on either: real time on a bench, virtual time in a dry run."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Hashable, Iterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from typing import TypeVar

from sequencer.virtual_clock import Pace, TimeStuck, VirtualClock
from sequencer.virtual_loop import VirtualLoop, real_time_island

__all__ = [
    "Pace",
    "RealClock",
    "TimeStuck",
    "VirtualClock",
    "VirtualLoop",
    "one_core",
    "real_time_island",
    "run_real",
    "run_virtual",
]

T = TypeVar("T")


class RealClock:
    """The monotonic clock from its making on. Real time moves whoever is at work: the ledger's methods do nothing."""

    virtual = False

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    def now_ns(self) -> int:
        return time.monotonic_ns() - self._start_ns

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(max(0.0, seconds))  # noqa: TID251 (this is the real clock)

    async def sleep_until_ns(self, when_ns: int) -> None:
        await self.sleep((when_ns - self.now_ns()) / 1e9)

    async def turn(self) -> None:
        await self.sleep(0.0)

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[None]:
        return _real_deadline(seconds)

    def call_at_ns(self, when_ns: int, callback: Callable[[], None]) -> asyncio.TimerHandle:
        return asyncio.get_running_loop().call_later(max(0.0, (when_ns - self.now_ns()) / 1e9), callback)

    def begin(self, key: Hashable, *, expects_reply: bool = False) -> None: ...

    def announce(self, key: Hashable, count: int) -> None: ...

    async def taken(self, key: Hashable) -> None: ...

    async def answered(self, key: Hashable) -> None: ...

    def end(self, key: Hashable) -> None: ...

    async def gone(self, key: Hashable) -> None: ...

    def connected(self, ports: Hashable) -> None: ...

    def received(self, ports: Hashable, count: int) -> None: ...

    def reply_complete(self, ports: Hashable) -> None: ...

    def disconnected(self, ports: Hashable) -> None: ...


@asynccontextmanager
async def _real_deadline(seconds: float) -> AsyncIterator[None]:
    async with asyncio.timeout(max(0.0, seconds)):  # noqa: TID251 (this is the real clock)
        yield


def run_real(main: Callable[[RealClock], Awaitable[T]]) -> T:
    """Run `main` to its end in a new event loop on the real clock."""

    async def body() -> T:
        return await main(RealClock())

    with asyncio.Runner(loop_factory=asyncio.SelectorEventLoop) as runner:
        return runner.run(body())


def run_virtual(
    main: Callable[[VirtualClock], Awaitable[T]],
    *,
    ties_seed: int | None = None,
    speed: float | None = None,
    pace: Pace | None = None,
) -> T:
    """Run `main` to its end in a new event loop on virtual time. `pace`, if given, replaces `ties_seed` and
    `speed`.

    Raises TimeStuck (a Fault) if nothing is left to wake, a key stays at work, or time stops moving; and whatever
    a simulator raised.
    """
    loop = VirtualLoop(pace or Pace(ties_seed=ties_seed, speed=speed))

    async def body() -> T:
        loop.main = asyncio.current_task()
        return await main(loop.clock)

    failure: BaseException | None = None
    try:
        with asyncio.Runner(loop_factory=lambda: loop) as runner:
            try:
                result = runner.run(body())
            except BaseException as error:
                failure = loop.fault or error
                raise
    except BaseException as last:  # the first cause, not what went wrong after it in closing the loop
        raise failure or last from (None if failure in (None, last) else last)
    if loop.fault is not None:
        raise loop.fault
    return result


@contextmanager
def one_core() -> Iterator[None]:
    """Tie this process to one of its cores: hand-overs between threads across cores cost more than a second core
    gives.
    """
    allowed = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {sorted(allowed)[os.getpid() % len(allowed)]})
    try:
        yield
    finally:
        os.sched_setaffinity(0, allowed)
