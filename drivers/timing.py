"""The time the drivers ask for: what a clock must offer to them.

The drivers import nothing of the rest of nightramp; whoever builds them hands in a clock of this shape. In a dry
run it is virtual and moves only when nobody is at work; on a bench it is real.
"""

from __future__ import annotations

from collections.abc import Hashable
from contextlib import AbstractAsyncContextManager
from typing import Protocol


class Clock(Protocol):
    """Integer nanoseconds since the clock's own start; sleeping and deadlines on that scale."""

    @property
    def virtual(self) -> bool:
        """True if time leaps; then a VISA time-out is only a guard against a broken simulator."""

    def now_ns(self) -> int:
        """Nanoseconds since the start of this clock."""

    async def sleep(self, seconds: float) -> None:
        """Rest for `seconds` (>= 0)."""

    async def sleep_until_ns(self, when_ns: int) -> None:
        """Rest until `when_ns`; at once, but still in turn, if that is past."""

    async def turn(self) -> None:
        """A rest of zero length: take one's turn in the total order of everything that happens."""

    def deadline(self, seconds: float) -> AbstractAsyncContextManager[None]:
        """`async with`: raises TimeoutError inside if the body is not done after `seconds` of this clock."""

    # The ledger of work: virtual time moves only while no key is at work. A real clock ignores all of it.

    def begin(self, key: Hashable, *, expects_reply: bool = False) -> None:
        """`key` is at work from now on (called on the loop, before the thread starts)."""

    def announce(self, key: Hashable, count: int) -> None:
        """`count` more bytes are about to be sent under `key`."""

    async def taken(self, key: Hashable) -> None:
        """Returns when the other side has accepted the connection and taken in every byte announced under `key`."""

    async def answered(self, key: Hashable) -> None:
        """Returns once a whole reply is on its way under `key`, or its connection has ended (at once on a real
        clock).

        What a thread found out from half a reply is held until then: else the real moment would leak into virtual
        time.
        """

    def end(self, key: Hashable) -> None:
        """`key` has finished (called on the loop, in the task that awaited it)."""

    async def gone(self, key: Hashable) -> None:
        """Returns when the other side has seen the connection `key` end."""
