"""The virtual clock by itself. Expected instants are sums of the durations asked for: integer arithmetic, no
source.
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


def test_a_thousand_hops_of_a_tenth_end_at_exactly_a_hundred_seconds() -> None:
    """0.1 s is 100,000,000 ns exactly; a thousand of them are 100 s. In floats the sum would be off."""

    async def main(clock: VirtualClock) -> int:
        for _ in range(1000):
            await clock.sleep(0.1)
        return clock.now_ns()

    assert run_virtual(main) == 100 * SECOND


def test_equal_times_wake_in_the_order_of_asking_and_one_at_a_time() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log: list[str] = []

        async def sleeper(name: str) -> None:
            await clock.sleep(1.0)
            log.append(f"{name} wakes")
            for _ in range(5):  # the loop is busy for a few rounds: nobody else may be woken meanwhile
                await asyncio.sleep(0)
            log.append(f"{name} rests")

        await asyncio.gather(*(sleeper(name) for name in "abc"))
        return log

    assert run_virtual(main) == ["a wakes", "a rests", "b wakes", "b rests", "c wakes", "c rests"]


def test_at_equal_times_instrument_then_task_then_deadline_whatever_was_asked_first() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log: list[str] = []

        async def limited() -> None:
            try:
                async with clock.deadline(1.0):
                    await asyncio.get_running_loop().create_future()
            except TimeoutError:
                log.append("deadline")

        async def sleeper() -> None:
            await clock.sleep(1.0)
            log.append("task")

        tasks = [asyncio.create_task(limited()), asyncio.create_task(sleeper())]
        await clock.turn()
        clock.call_at_ns(SECOND, lambda: log.append("instrument"))
        await asyncio.gather(*tasks)
        return log

    assert run_virtual(main) == ["instrument", "task", "deadline"]


def test_what_happens_exactly_at_the_deadline_is_in_time() -> None:
    async def main(clock: VirtualClock) -> str:
        reply: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        async with clock.deadline(1.0):
            clock.call_at_ns(SECOND, lambda: reply.set_result("in time"))
            return await reply

    assert run_virtual(main) == "in time"


def test_deadline_ends_at_its_instant_and_the_inner_of_two_first() -> None:
    async def main(clock: VirtualClock) -> list[tuple[str, int]]:
        log = []
        try:
            async with clock.deadline(2.0):
                try:
                    async with clock.deadline(0.5):
                        await clock.sleep(3600.0)
                except TimeoutError:
                    log.append(("inner", clock.now_ns()))
                await clock.sleep(3600.0)
        except TimeoutError:
            log.append(("outer", clock.now_ns()))
        return log

    assert run_virtual(main) == [("inner", SECOND // 2), ("outer", 2 * SECOND)]


def test_nested_deadlines_at_one_instant_end_the_outer_body_too() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log = []
        try:
            async with clock.deadline(1.0):
                try:
                    async with clock.deadline(1.0):
                        await clock.sleep(5.0)
                except TimeoutError:
                    log.append("inner")
                await clock.sleep(5.0)
        except TimeoutError:
            log.append("outer")
        log.append(str(clock.now_ns()))
        return log

    assert run_virtual(main)[-2:] == ["outer", str(SECOND)]


def test_zero_deadline_lets_pass_what_needs_no_time_and_ends_what_does() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log = []
        async with clock.deadline(0.0):
            await clock.turn()
            log.append("a turn")
        try:
            async with clock.deadline(0.0):
                await clock.sleep(1e-9)
        except TimeoutError:
            log.append(f"ended at {clock.now_ns()}")
        return log

    assert run_virtual(main) == ["a turn", "ended at 0"]


def test_a_cancel_from_outside_is_not_taken_for_a_deadline() -> None:
    async def main(clock: VirtualClock) -> str:
        async def limited() -> None:
            async with clock.deadline(10.0):
                await clock.sleep(3600.0)

        task = asyncio.create_task(limited())
        await clock.sleep(1.0)
        task.cancel()
        try:
            await task
        except asyncio.CancelledError:
            return "cancelled"
        return "ended"

    assert run_virtual(main) == "cancelled"


def test_cancelled_sleeps_move_nothing() -> None:
    async def main(clock: VirtualClock) -> int:
        task = asyncio.create_task(clock.sleep(3600.0))
        await clock.sleep(1.0)
        task.cancel()
        await asyncio.wait([task])
        await clock.sleep(1.0)
        return clock.now_ns()

    assert run_virtual(main) == 2 * SECOND


def test_only_cancelled_sleeps_left_is_a_deadlock_and_not_progress() -> None:
    async def main(clock: VirtualClock) -> None:
        task = asyncio.create_task(clock.sleep(3600.0))
        await clock.turn()
        task.cancel()
        await asyncio.get_running_loop().create_future()

    with pytest.raises(TimeStuck, match="nothing left to wake at 0 ns"):
        run_virtual(main)


def test_the_heap_does_not_grow_with_deadlines_that_were_met() -> None:
    """Each met deadline leaves one dead entry an hour ahead; 20,000 of them must not stay."""

    async def main(clock: VirtualClock) -> int:
        longest = 0
        for _ in range(20_000):
            async with clock.deadline(3600.0):
                await clock.turn()
            longest = max(longest, clock.heap_length)
        return longest

    assert run_virtual(main) < 200


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
        threading.Timer(
            0.05, asyncio.get_running_loop().call_soon_threadsafe, (released.set_result, None)
        ).start()
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


async def _drawn_order(clock: VirtualClock) -> str:
    order: list[str] = []

    async def sleeper(name: str) -> None:
        await clock.sleep(1.0)
        order.append(name)

    await asyncio.gather(*(sleeper(name) for name in "abcdefgh"))
    return "".join(order)


def test_ties_are_drawn_from_the_seed() -> None:
    """8! = 40,320 orders: five seeds all giving the same one by chance is out of the question."""
    orders = [run_virtual(_drawn_order, ties_seed=seed) for seed in range(5)]
    assert orders == [run_virtual(_drawn_order, ties_seed=seed) for seed in range(5)]
    assert len(set(orders)) > 1
    assert all(sorted(order) == list("abcdefgh") for order in orders)


def test_drawn_ties_keep_the_classes() -> None:
    async def main(clock: VirtualClock) -> list[str]:
        log: list[str] = []

        async def sleeper() -> None:
            await clock.sleep(1.0)
            log.append("task")

        task = asyncio.create_task(sleeper())
        await clock.turn()
        clock.call_at_ns(SECOND, lambda: log.append("instrument"))
        await task
        return log

    assert all(run_virtual(main, ties_seed=seed) == ["instrument", "task"] for seed in range(20))


def test_watchable_pace_takes_real_time() -> None:
    """0.4 s at eight virtual seconds a second is 0.05 s; only the lower bound is certain."""

    async def main(clock: VirtualClock) -> int:
        for _ in range(4):
            await clock.sleep(0.1)
        return clock.now_ns()

    begun_s = time.monotonic()
    assert run_virtual(main, speed=8.0) == 400_000_000
    assert time.monotonic() - begun_s >= 0.04


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
