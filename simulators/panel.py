"""What the simulated instrument server needs of a panel: text in, bytes out, at a time handed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True)
class Wait:
    """Not yet: ask the panel again at `until_ns`; None: it never answers (until a new connection frees it)."""

    until_ns: int | None


class Panel(Protocol):
    """One instrument's front. A message is one line without its terminator.

    The server takes a message in, waits `cost_s` (>= 0.0002), calls `execute` at that instant, and sends what
    comes back.
    """

    @property
    def name(self) -> str: ...

    @property
    def terminator(self) -> bytes: ...

    def cost_s(self, message: str) -> float: ...

    def execute(self, message: str, now_ns: int) -> bytes | Wait | None:
        """The whole reply with its terminator; None if the message has none."""

    def connected(self) -> None:
        """A new connection was made."""
