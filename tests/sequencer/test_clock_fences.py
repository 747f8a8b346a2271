"""What virtual time refuses: standing still, real timers, uncounted threads; and that it hears signals while it
leaps.

Expected instants are sums of the durations asked for: integer arithmetic, no source.
"""

from __future__ import annotations

import asyncio
import os
import signal
import threading
import time

import pytest

from sequencer.clock import Pace, RealClock, TimeStuck, VirtualClock, real_time_island, run_real, run_virtual
from sequencer.errors import Fault

SECOND = 1_000_000_000


def test_deadlock_names_the_waiting_tasks_and_their_lines() -> None:
    async def waits_for_ever() -> None:
        await asyncio.get_running_loop().create_future()

    async def main(clock: VirtualClock) -> None:
        task = asyncio.create_task(waits_for_ever(), name="the forgotten one")
        await clock.sleep(1.0)
        await task

    with pytest.raises(TimeStuck) as caught:
        run_virtual(main)
    line = waits_for_ever.__code__.co_firstlineno + 1
    assert "the forgotten one" in str(caught.value)
    assert f"{__file__}:{line} in " in str(caught.value)
    assert isinstance(caught.value, Fault)


def test_deadlock_lets_the_main_function_clean_up_on_the_clock() -> None:
    cleaned: list[int] = []

    async def main(clock: VirtualClock) -> None:
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            await clock.sleep(2.0)
            cleaned.append(clock.now_ns())

    with pytest.raises(TimeStuck):
        run_virtual(main)
    assert cleaned == [2 * SECOND]


def test_deadlock_in_the_clean_up_still_ends() -> None:
    async def main(clock: VirtualClock) -> None:
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            await asyncio.get_running_loop().create_future()

    with pytest.raises(TimeStuck):
        run_virtual(main)


def test_too_many_wakes_at_one_instant_end_the_run() -> None:
    async def main(clock: VirtualClock) -> None:
        await clock.sleep(3.0)
        while True:
            await clock.turn()

    with pytest.raises(TimeStuck, match="at 3000000000 ns without progress"):
        run_virtual(main, pace=Pace(wakes_at_one_instant=10_000))


def test_a_key_at_work_for_ever_is_named() -> None:
    async def main(clock: VirtualClock) -> None:
        clock.begin("the stuck key")
        await clock.sleep(1.0)

    with pytest.raises(TimeStuck, match="the stuck key"):
        run_virtual(main, pace=Pace(watchdog_s=0.1))


def test_time_stands_while_a_key_is_at_work() -> None:
    async def main(clock: VirtualClock) -> tuple[int, int]:
        sleeper = asyncio.create_task(clock.sleep(1.0))
        clock.begin("a thread")
        released = asyncio.get_running_loop().create_future()
        threading.Timer(0.05, asyncio.get_running_loop().call_soon_threadsafe, (released.set_result, None)).start()
        await released
        before = clock.now_ns()
        clock.end("a thread")
        await sleeper
        return before, clock.now_ns()

    assert run_virtual(main) == (0, SECOND)


def test_what_an_instrument_raises_ends_the_run() -> None:
    def broken() -> None:
        raise ZeroDivisionError("a broken simulator")

    async def main(clock: VirtualClock) -> None:
        clock.call_at_ns(SECOND, broken)
        await clock.sleep(5.0)

    with pytest.raises(ZeroDivisionError):
        run_virtual(main)


def test_signals_are_heard_while_time_leaps() -> None:
    async def main(clock: VirtualClock) -> str:
        heard = asyncio.Event()
        asyncio.get_running_loop().add_signal_handler(signal.SIGUSR1, heard.set)
        threading.Timer(0.02, os.kill, (os.getpid(), signal.SIGUSR1)).start()
        while not heard.is_set():
            await clock.sleep(1.0)
        asyncio.get_running_loop().remove_signal_handler(signal.SIGUSR1)
        return "heard"

    assert run_virtual(main) == "heard"


def test_a_real_timer_in_a_virtual_task_raises_and_an_island_passes() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log = []
        for wait in (
            lambda: asyncio.sleep(0.001),
            lambda: asyncio.wait_for(asyncio.get_running_loop().create_future(), 0.001),
        ):
            with pytest.raises(RuntimeError, match="real timer in a virtual task"):
                await wait()

        async def island() -> None:
            await asyncio.sleep(0.001)
            log.append("island")

        with real_time_island():
            task = asyncio.create_task(island())
        await task
        with pytest.raises(RuntimeError):
            await asyncio.sleep(0.001)
        return log

    assert run_virtual(main) == ["island"]


def test_an_island_waiting_on_a_real_timer_is_no_deadlock_and_moves_no_time() -> None:
    async def main(clock: VirtualClock) -> int:
        with real_time_island():
            await asyncio.sleep(0.02)
        return clock.now_ns()

    assert run_virtual(main) == 0


def test_an_executor_call_is_counted_as_work() -> None:
    async def main(clock: VirtualClock) -> list[tuple[str, int]]:
        log: list[tuple[str, int]] = []

        def work() -> None:
            time.sleep(0.03)
            log.append(("thread", clock.now_ns()))

        async def ticking() -> None:
            await clock.sleep(1.0)
            log.append(("tick", clock.now_ns()))

        await asyncio.gather(ticking(), asyncio.to_thread(work))
        return log

    assert run_virtual(main) == [("thread", 0), ("tick", SECOND)]


def test_an_executor_call_is_work_until_its_thread_ends_even_if_its_caller_was_cancelled() -> None:
    async def main(clock: VirtualClock) -> list[tuple[str, int]]:
        log: list[tuple[str, int]] = []

        def work() -> None:
            time.sleep(0.03)
            log.append(("thread", clock.now_ns()))

        job = asyncio.create_task(asyncio.to_thread(work))
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        job.cancel()
        await clock.sleep(1.0)
        log.append(("tick", clock.now_ns()))
        return log

    assert run_virtual(main) == [("thread", 0), ("tick", SECOND)]


def test_a_failing_executor_call_releases_its_key() -> None:
    async def main(clock: VirtualClock) -> int:
        with pytest.raises(ZeroDivisionError):
            await asyncio.to_thread(lambda: 1 // 0)
        await clock.sleep(1.0)
        return clock.now_ns()

    assert run_virtual(main) == SECOND


def test_the_real_clock_keeps_its_deadlines_and_ignores_the_ledger() -> None:
    async def main(clock: RealClock) -> str:
        clock.begin("somebody")
        await clock.taken("somebody")
        await clock.answered("somebody")
        await clock.gone("somebody")
        before_ns = clock.now_ns()
        await clock.sleep_until_ns(before_ns + 2_000_000)
        assert clock.now_ns() - before_ns >= 1_000_000  # the loop may fire up to a clock tick early
        called: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        clock.call_at_ns(clock.now_ns(), lambda: called.set_result(None))
        await called
        try:
            async with clock.deadline(0.01):
                await clock.sleep(60.0)
        except TimeoutError:
            return "ended"
        return "slept"

    assert run_real(main) == "ended"
