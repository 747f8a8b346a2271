"""Virtual time: integer nanoseconds on one heap; the loop wakes one waiter whenever nobody is at work."""

from __future__ import annotations

import asyncio
import heapq
import random
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import dataclass
from types import TracebackType

from sequencer.at_work import AtWork
from sequencer.errors import Fault

# At equal times an instrument completes before a task wakes, and a deadline comes last: a reply at its
# deadline is in time.
INSTRUMENT, TASK, DEADLINE = 0, 1, 2
FEWEST_DEAD_TO_SWEEP = 64


class TimeStuck(Fault):
    """Virtual time can't go on: nothing left to wake, somebody at work for ever, or no progress."""


@dataclass(frozen=True)
class Pace:
    """How virtual time runs.

    ties_seed: draws the order of equal times and classes (None: first come, first woken). speed: virtual seconds
    per real second, to watch (None: as fast as it goes). watchdog_s: real seconds without a wake, with a key at
    work, that end the run. wakes_at_one_instant: more than this many without progress of time end the run.
    """

    ties_seed: int | None = None
    speed: float | None = None
    watchdog_s: float = 60.0
    wakes_at_one_instant: int = 1_000_000


def to_ns(seconds: float) -> int:
    """Nearest whole nanosecond; negative durations count as none."""
    return max(0, round(seconds * 1e9))


class Waiter:
    """An entry of the heap; cancelled ones stay there dead and are passed over."""

    __slots__ = ("_clock", "callback", "when_ns")

    def __init__(self, clock: VirtualClock, when_ns: int, callback: Callable[[], None]) -> None:
        self._clock, self.when_ns = clock, when_ns
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        if self.callback is not None:
            self.callback = None
            self._clock.one_died()


class VirtualClock(AtWork):
    """The clock of a dry run: for tasks, for deadlines, and for the simulated instruments."""

    virtual = True

    def __init__(self, pace: Pace = Pace()) -> None:
        super().__init__()
        self.pace = pace
        self.wakes = 0
        self._now_ns = 0
        self._heap: list[tuple[int, int, int, int, Waiter]] = []
        self._dead = 0
        self._pushed = 0
        self._wakes_here = 0
        self._ties = None if pace.ties_seed is None else random.Random(pace.ties_seed)

    def now_ns(self) -> int:
        return self._now_ns

    async def sleep(self, seconds: float) -> None:
        await self.sleep_until_ns(self._now_ns + to_ns(seconds))

    async def turn(self) -> None:
        await self.sleep_until_ns(self._now_ns)

    async def sleep_until_ns(self, when_ns: int) -> None:
        woken: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        waiter = self._push(when_ns, TASK, lambda: _wake(woken))
        try:
            await woken
        finally:
            waiter.cancel()

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[None]:
        return _Deadline(self, seconds)

    def call_at_ns(self, when_ns: int, callback: Callable[[], None]) -> Waiter:
        return self._push(when_ns, INSTRUMENT, callback)

    # For the loop and the deadline

    def at_deadline(self, when_ns: int, callback: Callable[[], None]) -> Waiter:
        return self._push(when_ns, DEADLINE, callback)

    @property
    def waiters(self) -> int:
        """Living entries of the heap."""
        return len(self._heap) - self._dead

    @property
    def heap_length(self) -> int:
        """Entries of the heap, dead ones included."""
        return len(self._heap)

    def next_ns(self) -> int | None:
        """When the next living waiter is due; None if there is none."""
        while self._heap and self._heap[0][4].callback is None:
            heapq.heappop(self._heap)
            self._dead -= 1
        return self._heap[0][0] if self._heap else None

    def wake_next(self) -> None:
        """Move to the next waiter's time and wake it: one, and no more until all is idle again."""
        if self.next_ns() is None:
            raise TimeStuck("nothing left to wake")
        when_ns, _, _, _, waiter = heapq.heappop(self._heap)
        self._count(when_ns)
        callback, waiter.callback = waiter.callback, None
        if callback is not None:
            callback()

    def one_died(self) -> None:
        self._dead += 1
        if self._dead > FEWEST_DEAD_TO_SWEEP and self._dead * 2 > len(self._heap):
            self._heap = [entry for entry in self._heap if entry[4].callback is not None]
            heapq.heapify(self._heap)
            self._dead = 0

    def _count(self, when_ns: int) -> None:
        self.wakes += 1
        self._wakes_here = self._wakes_here + 1 if when_ns == self._now_ns else 1
        self._now_ns = when_ns
        if self._wakes_here > self.pace.wakes_at_one_instant:
            raise TimeStuck(f"{self._wakes_here} wakes at {when_ns} ns without progress of time")

    def _push(self, when_ns: int, kind: int, callback: Callable[[], None]) -> Waiter:
        waiter = Waiter(self, max(when_ns, self._now_ns), callback)
        self._pushed += 1
        tie = self._ties.getrandbits(32) if self._ties else 0
        heapq.heappush(self._heap, (waiter.when_ns, kind, tie, self._pushed, waiter))
        return waiter


def _wake(sleeper: asyncio.Future[None]) -> None:
    if not sleeper.done():
        sleeper.set_result(None)


class _Deadline:
    """asyncio's own time-out opened without a limit, ended from our heap: its accounting of cancels comes for
    free."""

    def __init__(self, clock: VirtualClock, seconds: float) -> None:
        self._clock, self._seconds = clock, seconds
        self._limit = asyncio.timeout(None)  # noqa: TID251 (no real limit is ever set on it)

    async def __aenter__(self) -> None:
        await self._limit.__aenter__()
        when_ns = self._clock.now_ns() + to_ns(self._seconds)
        self._waiter = self._clock.at_deadline(when_ns, self._expire)

    def _expire(self) -> None:
        self._limit.reschedule(0.0)  # long past on the loop's own time: at once

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._waiter.cancel()
        await self._limit.__aexit__(kind, error, trace)
