"""Virtual time with one of its rules broken: each must be caught by the adversarial script. Only tests import
this."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable
from typing import Any

from drivers.link import Link
from sequencer.at_work import AtWork, State
from sequencer.virtual_clock import VirtualClock


def wakes_all_that_are_due() -> None:
    """Rule 2 broken: everybody due at one instant is woken together."""
    wake_one = VirtualClock.wake_next

    def wake_all(self: VirtualClock) -> None:
        when_ns = self.next_ns()
        while when_ns is not None and self.next_ns() == when_ns:
            wake_one(self)

    VirtualClock.wake_next = wake_all  # type: ignore[method-assign]


def takes_no_turn() -> None:
    """Rule 3 broken: an exchange begins without taking its turn."""

    async def at_once(self: VirtualClock) -> None:
        return

    VirtualClock.turn = at_once  # type: ignore[method-assign]


def releases_in_the_worker() -> None:
    """Rule 4 broken: a key is closed in the thread, before the task that waits for the result has it."""
    in_thread = Link._in_thread

    async def releasing(self: Link, job: Callable[[], Any], thread: Any) -> Any:
        loop, clock, session = asyncio.get_running_loop(), self._clock, self._session

        def release() -> Any:
            try:
                return job()
            finally:
                if session is not None:
                    loop.call_soon_threadsafe(clock.end, session.ports)

        return await in_thread(self, release, thread)

    Link._in_thread = releasing  # type: ignore[method-assign]


def counts_no_bytes() -> None:
    """Rule 5 broken: a write is over when the kernel has it, and a query waits from the moment it is announced."""

    def announced(self: AtWork, key: Hashable, count: int) -> None:
        account = self._account(key)
        if account.expects_reply:
            self._set(key, account, State.WAITING)

    async def at_once(self: AtWork, key: Hashable) -> None:
        return

    AtWork.announce = announced  # type: ignore[method-assign]
    AtWork.taken = at_once  # type: ignore[method-assign]


def holds_no_tear_down() -> None:
    """Rule 8 broken: a session is torn down while time moves."""
    break_off = Link.break_off

    async def unheld(self: Link) -> None:
        clock, session = self._clock, self._session
        if session is not None:
            clock.end(session.ports)
        self._clock = _Unheld(clock)  # type: ignore[assignment]
        try:
            await break_off(self)
        finally:
            self._clock = clock

    Link.break_off = unheld  # type: ignore[method-assign]


class _Unheld:
    """The clock without its ledger."""

    def __init__(self, clock: Any) -> None:
        self._clock = clock

    def __getattr__(self, name: str) -> Any:
        return getattr(self._clock, name)

    def begin(self, key: Hashable, *, expects_reply: bool = False) -> None: ...

    def end(self, key: Hashable) -> None: ...

    async def gone(self, key: Hashable) -> None: ...


MUTANTS: dict[str, Callable[[], None]] = {
    "rule 2": wakes_all_that_are_due,
    "rule 3": takes_no_turn,
    "rule 4": releases_in_the_worker,
    "rule 5": counts_no_bytes,
    "rule 8": holds_no_tear_down,
}
