"""The event loop of a dry run: idle is what the selector says, and at idle one waiter of the virtual clock is
woken.

Real timers are fenced off: one of them in a virtual task would let hours pass. Work in executors is counted by
itself.
"""

from __future__ import annotations

import asyncio
import contextvars
import selectors
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager
from itertools import count
from types import CoroutineType, GeneratorType
from typing import Any

from sequencer.loose_threads import LooseThreads
from sequencer.virtual_clock import Pace, TimeStuck, VirtualClock

WIND_UP_S = 15.0  # real seconds: longer than a client takes to give up connecting
_ISLAND: contextvars.ContextVar[bool] = contextvars.ContextVar("real_time_island", default=False)


@contextmanager
def real_time_island() -> Iterator[None]:
    """Inside (and in tasks created inside) real timers are allowed: for MQTT, pages, heartbeats. Nothing may flow
    back. Work sent to executors from here is not counted, so that a slow network never holds time.
    """
    token = _ISLAND.set(True)
    try:
        yield
    finally:
        _ISLAND.reset(token)


class _IdleSelector(selectors.DefaultSelector):
    """Asked to block only if no callback is ready: the one reliable sign that the loop is idle."""

    def __init__(self) -> None:
        super().__init__()
        self.at_idle: Callable[[float | None], float | None] = lambda timeout: timeout

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        events = super().select(0)
        if events or (timeout is not None and timeout <= 0):
            return events
        block_s = self.at_idle(timeout)
        return [] if block_s == 0 else super().select(block_s)


class VirtualLoop(asyncio.SelectorEventLoop):
    """`clock` moves when this loop is idle. `time()` stays real."""

    def __init__(self, pace: Pace) -> None:
        selector = _IdleSelector()
        super().__init__(selector)
        selector.at_idle = self._at_idle
        self.clock = VirtualClock(pace)
        self.main: asyncio.Task[Any] | None = None
        self.fault: Exception | None = None
        self._over_s: float | None = None
        self._jobs = count(1)
        self._own_default: ThreadPoolExecutor | None = None
        self._woke_s = time.monotonic()  # noqa: TID251 (watchdog and watchable pace are on real time)

    # Idle

    def _at_idle(self, timeout: float | None) -> float | None:
        """Seconds to block (None: without limit); 0 if a waiter was woken and there is nothing to wait for."""
        rested_s = time.monotonic() - self._woke_s  # noqa: TID251 (real: see above)
        if self.clock.working:
            return self._watch(timeout, rested_s)
        when_ns = self.clock.next_ns()
        if when_ns is None:
            return self._nothing_to_wake(timeout, rested_s)
        left_s = self._pace_left_s(when_ns, rested_s)
        if left_s > 0:
            return left_s if timeout is None else min(left_s, timeout)
        self._wake()
        return 0

    def _wake(self) -> None:
        self._woke_s = time.monotonic()  # noqa: TID251 (real: see above)
        try:
            self.clock.wake_next()
        except Exception as error:  # a broken simulator or a clock that stands still: loud, never an instrument's fault
            self.fail(error)

    def _pace_left_s(self, when_ns: int, rested_s: float) -> float:
        speed = self.clock.pace.speed
        return 0.0 if speed is None else (when_ns - self.clock.now_ns()) / 1e9 / speed - rested_s

    def _watch(self, timeout: float | None, rested_s: float) -> float:
        left_s = self.clock.pace.watchdog_s - rested_s
        if left_s <= 0:
            self._woke_s += rested_s
            names = ", ".join(repr(key) for key in self.clock.working)
            self.fail(
                TimeStuck(f"at work for {rested_s:.0f} real seconds without an end: {names}\n{waiting_tasks(self)}")
            )
            return 0
        return left_s if timeout is None else min(left_s, timeout)

    def _nothing_to_wake(self, timeout: float | None, rested_s: float) -> float | None:
        if self.main is not None and self.main.done():
            return self._winding_up(timeout)
        # An island's real timers (a heartbeat each second) must not hide a deadlock for ever.
        if timeout is None or rested_s >= self.clock.pace.watchdog_s:
            self._woke_s += rested_s
            self.fail(TimeStuck(f"nothing left to wake at {self.clock.now_ns()} ns; waiting:\n{waiting_tasks(self)}"))
            return 0
        return timeout

    def _winding_up(self, timeout: float | None) -> float | None:
        """The run is over; what is left is an island's task that was cancelled and whose thread still connects. That is
        no deadlock, and it is waited for in real time, but not for ever."""
        now_s = time.monotonic()  # noqa: TID251 (real: see above)
        self._over_s = now_s if self._over_s is None else self._over_s
        left_s = self._over_s + WIND_UP_S - now_s
        if left_s <= 0:
            raise TimeStuck(f"tasks that do not end after the run:\n{waiting_tasks(self)}")
        return left_s if timeout is None else min(left_s, timeout)

    def fail(self, error: Exception) -> None:
        """End the run with `error`: cancel the main task, which may still clean up; if that sticks too, end at
        once."""
        if self.fault is not None or self.main is None or self.main.done():
            raise error
        self.fault = error
        self.main.cancel()

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        super().call_exception_handler(context)
        error = context.get("exception")
        if "protocol" in context and isinstance(error, Exception) and not isinstance(error, OSError) and not self.fault:
            self.fail(error)  # a simulator broke while taking bytes in

    # Fences

    def call_at(  # type: ignore[override]  # the exact variadic types add nothing here
        self, when: float, callback: Any, *args: Any, context: Any = None
    ) -> asyncio.TimerHandle:
        if not _ISLAND.get():
            raise RuntimeError("a real timer in a virtual task: use the clock handed in, or declare a real-time island")
        return super().call_at(when, callback, *args, context=context)

    def run_in_executor(  # type: ignore[override]  # as above
        self, executor: Any, func: Any, *args: Any
    ) -> asyncio.Future[Any]:
        if _ISLAND.get():
            return self._uncounted(executor, func, args)
        name = f"executor call {next(self._jobs)}: {getattr(func, '__qualname__', repr(func))}"
        self.clock.begin(name)
        counted = _Counted(self._real_executor(executor), self, name)
        try:
            result: asyncio.Future[Any] = super().run_in_executor(counted, func, *args)
        except BaseException:
            self.clock.end(name)
            raise
        result.add_done_callback(lambda _: counted.one_less())
        return result

    def _uncounted(
        self, executor: Executor | None, func: Callable[..., Any], args: tuple[Any, ...]
    ) -> asyncio.Future[Any]:
        """In the island's own context, so that what its thread hands back to the loop is of the island too."""
        inside = contextvars.copy_context()
        result: asyncio.Future[Any] = super().run_in_executor(
            executor or LooseThreads(), lambda: inside.run(func, *args)
        )
        return result

    def _real_executor(self, executor: Executor | None) -> Executor:
        if executor is not None:
            return executor
        if self._own_default is None:
            self._own_default = ThreadPoolExecutor(thread_name_prefix="asyncio")
            self.set_default_executor(self._own_default)
        return self._own_default

    async def shutdown_default_executor(self) -> None:
        self.clock.begin("shutdown of the default executor")
        try:
            await super().shutdown_default_executor()
        finally:
            self.clock.end("shutdown of the default executor")


class _Counted(Executor):
    """Holds time until both the thread is done (even if its caller was cancelled) and the loop has the result."""

    def __init__(self, real: Executor, loop: VirtualLoop, name: str) -> None:
        self._real, self._loop, self._name, self._left = real, loop, name, 2

    def submit(self, func: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        job = self._real.submit(func, *args, **kwargs)
        job.add_done_callback(self._thread_done)
        return job

    def _thread_done(self, _: Future[Any]) -> None:
        if not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.one_less)

    def one_less(self) -> None:
        self._left -= 1
        if self._left == 0:
            self._loop.clock.end(self._name)


def waiting_tasks(loop: asyncio.AbstractEventLoop) -> str:
    """One line per unfinished task, sorted by name: name, file, line and function where it waits."""
    tasks = sorted((task for task in asyncio.all_tasks(loop) if not task.done()), key=lambda task: task.get_name())
    return "\n".join(f"  {task.get_name()} at {_where(task.get_coro())}" for task in tasks)


def _where(awaitable: Any) -> str:
    line = "an unknown place"
    while isinstance(awaitable, CoroutineType | GeneratorType):
        frame = awaitable.cr_frame if isinstance(awaitable, CoroutineType) else awaitable.gi_frame
        if frame is not None and "/asyncio/" not in frame.f_code.co_filename:
            line = f"{frame.f_code.co_filename}:{frame.f_lineno} in {frame.f_code.co_qualname}"
        awaitable = awaitable.cr_await if isinstance(awaitable, CoroutineType) else awaitable.gi_yieldfrom
    return line
