"""The virtual clock by itself. Expected instants are sums of the durations asked for: integer arithmetic, no
source."""

from __future__ import annotations

import asyncio
import time

import pytest

from sequencer.clock import TimeStuck, VirtualClock, run_virtual

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
