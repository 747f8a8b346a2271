"""An island's work off the loop neither holds virtual time nor moves it, and its timers hide no deadlock.

Expected instants are sums of the durations asked for: integer arithmetic, no source.
"""

from __future__ import annotations

import asyncio
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from sequencer.clock import Pace, TimeStuck, VirtualClock, real_time_island, run_virtual
from sequencer.loose_threads import LooseThreads

SECOND = 1_000_000_000


@pytest.mark.parametrize("own_pool", [False, True])
def test_a_call_that_hangs_in_the_network_holds_nothing_up(own_pool: bool) -> None:
    """The thread hangs until an hour has passed in simulated time: were it counted, that hour would never come."""

    async def main(clock: VirtualClock) -> tuple[int, str]:
        hanging, pool = threading.Event(), ThreadPoolExecutor(1)

        async def island() -> str:
            loop = asyncio.get_running_loop()
            await loop.run_in_executor(pool if own_pool else None, hanging.wait, 20.0)
            return "came back"

        with real_time_island():
            task = asyncio.create_task(island())
        await clock.sleep(3600.0)
        passed_ns = clock.now_ns()
        hanging.set()
        with real_time_island():
            async with asyncio.timeout(10.0):
                return passed_ns, await task

    assert run_virtual(main, pace=Pace(watchdog_s=5.0)) == (3600 * SECOND, "came back")


def test_what_an_island_s_thread_hands_to_the_loop_is_of_the_island() -> None:
    """A client that connects in a thread starts its heartbeat from there: a real timer."""

    async def main(clock: VirtualClock) -> str:
        loop, beat = asyncio.get_running_loop(), asyncio.Event()

        def connect() -> None:
            loop.call_soon_threadsafe(lambda: loop.call_later(0.001, beat.set))

        async def island() -> str:
            await loop.run_in_executor(None, connect)
            await beat.wait()
            return "beat"

        with real_time_island():
            async with asyncio.timeout(10.0):
                return await asyncio.create_task(island())

    assert run_virtual(main, pace=Pace(watchdog_s=5.0)) == "beat"


def test_a_heartbeat_does_not_hide_a_deadlock() -> None:
    async def main(clock: VirtualClock) -> None:
        async def heartbeat() -> None:
            for _ in range(500):  # long beyond the watchdog
                await asyncio.sleep(0.01)
            never.set_result(None)

        never = asyncio.get_running_loop().create_future()
        with real_time_island():
            beating = asyncio.create_task(heartbeat(), name="heartbeat")
        try:
            await never
        finally:
            beating.cancel()

    with pytest.raises(TimeStuck, match="nothing left to wake"):
        run_virtual(main, pace=Pace(watchdog_s=0.2))


def test_loose_threads_hand_back_results_and_errors_and_are_not_joined_at_the_end() -> None:
    threads = LooseThreads()
    assert threads.submit(pow, 2, 10).result(10.0) == 1024
    with pytest.raises(ZeroDivisionError):
        threads.submit(lambda: 1 // 0).result(10.0)
    assert threads.submit(lambda: threading.current_thread().daemon).result(10.0)
