"""The time the simulated instruments ask for, and how they say who is at work.

They import nothing of the rest of nightramp: the composing side hands in a clock of this shape. `ports`: the
client's and the server's TCP port, which both ends of a connection can see.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Protocol


class Handle(Protocol):
    """A wake-up that can be taken back."""

    def cancel(self) -> None: ...


class TimeBase(Protocol):
    """Integer nanoseconds, one heap of wake-ups, and the ledger of bytes taken in."""

    def now_ns(self) -> int: ...

    def call_at_ns(self, when_ns: int, callback: Callable[[], None]) -> Handle:
        """Instrument completions: before sleeping tasks, and before deadlines, at equal times."""

    def connected(self, ports: Hashable) -> None:
        """A connection between these ports has been accepted."""

    def received(self, ports: Hashable, count: int) -> None:
        """`count` bytes were taken in from this client."""

    def reply_complete(self, ports: Hashable) -> None:
        """Called just before the chunk that completes a reply is handed to the transport."""

    def disconnected(self, ports: Hashable) -> None:
        """The connection between these ports has ended, as seen from this side."""
