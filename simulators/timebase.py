"""The time the simulated instruments ask for, and how they say who is at work.

They import nothing of the rest of nightramp: the composing side hands in a clock of this shape. `port` is the
client's local TCP port, which both ends of a connection can see.
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

    def connected(self, port: Hashable) -> None:
        """A connection from this client port has been accepted."""

    def received(self, port: Hashable, count: int) -> None:
        """`count` bytes were taken in from this client."""

    def reply_complete(self, port: Hashable) -> None:
        """Called just before the chunk that completes a reply is handed to the transport."""

    def disconnected(self, port: Hashable) -> None:
        """The connection from this client port has ended, as seen from this side."""
