"""An island's task that is slow to end after the run is waited for, and is no deadlock."""

from __future__ import annotations

import asyncio
import threading

from sequencer.clock import VirtualClock, real_time_island, run_virtual


def test_a_thread_that_still_connects_after_the_run_is_no_deadlock() -> None:
    """Cancelled, the task still waits for its thread: as a client does that is in the middle of connecting."""
    connected = threading.Event()
    ended: list[str] = []

    async def connecting() -> None:
        loop = asyncio.get_running_loop()
        thread = loop.run_in_executor(None, connected.wait, 5.0)
        try:
            await asyncio.shield(thread)
        except asyncio.CancelledError:
            await thread  # what it holds is let go only then
            ended.append("after its thread")
            raise

    async def main(clock: VirtualClock) -> str:
        with real_time_island():
            task = asyncio.create_task(connecting(), name="publisher")
        await clock.sleep(1.0)
        threading.Timer(0.3, connected.set).start()
        assert not task.done()
        return "done"

    assert run_virtual(main) == "done"
    assert ended == ["after its thread"]
