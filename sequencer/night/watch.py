"""The watch: while a unit is powered, its supply and heat sinks are read on a fixed grid beside whatever the night
does, and held against the rules of safety. What it finds ends the point at once, wherever the night waits.

The supply's latched signs are cleared by reading: what the watch sees during a burst is handed to that shot.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Protocol

from drivers.timing import Clock
from sequencer.measurements.requests import BenchReading
from sequencer.measurements.unseen import seen
from sequencer.plan.watching import Periods
from sequencer.safety.rules import Seen

AFTER_BURST_S = 0.3  # a rail and a meter's window need that long to forget a burst (our own judgement)
AFTER_CHANGE_S = 1.0  # no look while a supply or a remote line settles
KEPT_S = 10.0  # of readings, as evidence of a trip
MOST_KEPT = 60
ENDS_WITHIN_S = 3.0

Look = Callable[[], Awaitable[BenchReading]]
Off = Callable[[], Awaitable[None]]
Judge = Callable[[Seen], Exception | None]


class Firing(Protocol):
    """What is fired, and when its own reading of the supply wants the meter for itself (bench clock, ns)."""

    @property
    def tone_ns(self) -> tuple[int, int]: ...
    @property
    def reserved_from_ns(self) -> int | None: ...
    def saw_limit(self) -> None: ...


class Powered(Protocol):
    """The unit's connections: what the supply is set to, None while off; when they last changed."""

    @property
    def supply_v(self) -> float | None: ...
    @property
    def changed_ns(self) -> int: ...
    @property
    def changing(self) -> bool: ...


@dataclass(frozen=True)
class Under:
    """One unit under the watch. judge: what ends the point, if anything. tend: what each turn does besides, powered or
    not.
    """

    powered: Powered
    periods: Periods
    look: Look
    judge: Judge
    tend: Off | None = None


class Watch:
    """One for a night; `over` a unit as long as it may be powered. off: signal and supply, at once, never raising.

    progress_ns: bench clock of the last turn.
    """

    def __init__(self, clock: Clock, firing: Firing, off: Off) -> None:
        self._clock, self._firing, self._off = clock, firing, off
        self._readings: deque[tuple[BenchReading, bool]] = deque(maxlen=MOST_KEPT)
        self._ending: Exception | None = None
        self._owner: asyncio.Task[object] | None = None
        self._has_cancelled = False  # the owner, for what is found
        self.unheard: Exception | None = None  # found, and overtaken by a person's stop
        self._paused = self._ended = False
        self._periods: Periods | None = None
        self._burst, self._idle = asyncio.Event(), asyncio.Event()
        self._idle.set()
        self.progress_ns = clock.now_ns()
        self.tell: Callable[[BenchReading, bool], None] | None = None  # hears each reading, and whether it was driven

    @asynccontextmanager
    async def over(self, under: Under) -> AsyncIterator[None]:
        """Watches until the block is left. Raises what `judge` or a look raised, in the block's own task."""
        self._readings.clear()
        self._paused = self._ended = False
        self._periods, self.progress_ns = under.periods, self._clock.now_ns()
        task = asyncio.create_task(self._work(under), name="watch")
        try:
            async with self.attended():
                yield
        finally:
            self._paused = self._ended = True
            self._periods = None
            self._burst.set()
            await self._gone(task)

    @asynccontextmanager
    async def attended(self) -> AsyncIterator[None]:
        """What the watch finds meanwhile is raised here instead of a cancellation; may be nested."""
        task = asyncio.current_task()
        before, self._owner = self._owner, task
        try:
            yield
        except asyncio.CancelledError:
            ending, self._ending = self._ending, None
            is_ours, self._has_cancelled = self._has_cancelled, False
            if ending is None or task is None:
                raise
            # A person's stop goes first, whether it comes with ours or before it, while signal and supply go off.
            if not is_ours or task.uncancel() > 0:
                self.unheard = ending
                raise
            raise ending from None
        except Exception:  # found after the watch had switched off for a reason of its own: its echo
            ending, self._ending = self._ending, None
            if ending is None:
                raise
            raise ending from None
        finally:
            self._owner = before

    async def _gone(self, task: asyncio.Task[None]) -> None:
        """Its look in flight may end: to break it off would cost the link, which making safe may need."""
        with suppress(TimeoutError):
            async with self._clock.deadline(ENDS_WITHIN_S):
                await asyncio.wait((task,))
        task.cancel()
        await asyncio.wait((task,))

    def pause(self) -> None:
        """No more looks, and none in flight counts: the bench is being made safe. What was found and not yet heard
        comes too late: whoever pauses has a reason of its own, and must not be cancelled in making safe."""
        self._paused, self._ending = True, None

    def resume(self) -> None:
        self._paused = False

    def evidence(self) -> list[dict[str, object]]:
        """The last seconds of readings, oldest first; t_s counts back from the last one."""
        if not self._readings:
            return []
        last_ns = self._readings[-1][0].at_ns
        kept = [(one, driven) for one, driven in self._readings if last_ns - one.at_ns <= KEPT_S * 1e9]
        return [_row(one, driven, last_ns) for one, driven in kept]

    def is_late(self, now_ns: int, stale_s: float) -> bool:
        """It should have taken a turn by now, and has not. A bench that is being made safe is not late."""
        if self._periods is None or self._paused:
            return False
        return now_ns - self.progress_ns > round((self._periods.undriven_s + stale_s) * 1e9)

    async def has_seen(self) -> None:
        """Returns once no look is in flight: nothing is fired past an instrument that may have stopped answering."""
        await self._idle.wait()

    def burst_begun(self) -> None:
        """A burst long enough to be looked at has begun."""
        self._burst.set()

    # --- the turns

    async def _work(self, under: Under) -> None:
        while not self._ended:
            await self._until_ns(self._next_ns(under.periods))
            self.progress_ns = self._clock.now_ns()
            if self._paused:
                continue
            self._idle.clear()
            try:
                if under.tend is not None:
                    await under.tend()
                if not self._paused and under.powered.supply_v is not None and self._may_look(under.powered):
                    await self._turn(under)
            except asyncio.CancelledError:
                raise
            except Exception as error:  # whatever a look says ends the point, by its own name
                await self._deliver(error)
            finally:
                self._idle.set()

    async def _until_ns(self, when_ns: int) -> None:
        """Until then, or until a burst begins: its own grid is finer."""
        self._burst.clear()
        try:
            async with self._clock.deadline((when_ns - self._clock.now_ns()) * 1e-9):
                await self._burst.wait()
        except TimeoutError:
            return

    def _next_ns(self, periods: Periods) -> int:
        """On a fixed grid: late turns don't shift the ones after them."""
        now_ns = self._clock.now_ns()
        period_ns = round((periods.driven_s if self._is_driven(now_ns, now_ns) else periods.undriven_s) * 1e9)
        return (now_ns // period_ns + 1) * period_ns

    def _may_look(self, powered: Powered) -> bool:
        now_ns = self._clock.now_ns()
        if powered.changing or now_ns - powered.changed_ns < AFTER_CHANGE_S * 1e9:
            return False
        reserved_ns = self._firing.reserved_from_ns
        return reserved_ns is None or now_ns < reserved_ns

    async def _turn(self, under: Under) -> None:
        begun_ns = self._clock.now_ns()
        reading = await under.look()
        if self._paused or under.powered.changing or under.powered.supply_v is None:
            return
        driven = self._is_driven(begun_ns, self._clock.now_ns())
        if driven and reading.supply_limited:
            self._firing.saw_limit()
        self._readings.append((reading, driven))
        if self.tell is not None:
            self.tell(reading, driven)
        self.progress_ns = self._clock.now_ns()
        fresh_s = (self._clock.now_ns() - begun_ns) * 1e-9
        found = under.judge(Seen(reading, driven, fresh_s))
        if found is not None:
            await self._deliver(found)

    def _is_driven(self, from_ns: int, until_ns: int) -> bool:
        begun_ns, ended_ns = self._firing.tone_ns
        return begun_ns <= until_ns and from_ns <= ended_ns + round(AFTER_BURST_S * 1e9)

    async def _deliver(self, why: Exception) -> None:
        """Signal and supply off first, by requests that go before all others; then whoever waits hears why."""
        if self._ending is not None or self._owner is None or self._paused:
            return
        self._ending, self._paused = why, True  # latched: no look until somebody resumes
        await self._off()
        if self._ending is why and self._owner is not None:
            self._has_cancelled = True
            self._owner.cancel()


def _row(reading: BenchReading, driven: bool, last_ns: int) -> dict[str, object]:
    return {
        "t_s": round((reading.at_ns - last_ns) * 1e-9, 3),
        "supply_v": seen(reading.supply_v),
        "supply_a": seen(reading.supply_a),
        "heatsink_c": dict(reading.heatsink_c),
        "driven": driven,
    }
