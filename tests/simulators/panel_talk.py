"""Talking to a panel as its server would: each message takes its cost, then is carried out."""

from __future__ import annotations

from collections.abc import Sequence

from simulators.panel import Wait
from simulators.panels.front import Front

MS = 1_000_000


class Talk:
    """One clock for all panels of a test."""

    def __init__(self, now_ns: int = 0) -> None:
        self.now_ns = now_ns

    def ask(self, panel: Front, message: str) -> bytes | Wait | None:
        self.now_ns += round(panel.cost_s(message) * 1e9)
        return panel.execute(message, self.now_ns)

    def text(self, panel: Front, message: str) -> str:
        """The reply without its line end."""
        reply = self.ask(panel, message)
        assert isinstance(reply, bytes), (message, reply)
        assert reply.endswith(b"\n")
        return reply[:-1].decode("latin-1")

    def play(self, panel: Front, lines: Sequence[tuple[str, str | None]]) -> None:
        """Messages and the literal replies they must have."""
        for message, expected in lines:
            got = self.ask(panel, message)
            assert got == (None if expected is None else expected.encode() + b"\n"), message


def error(number: int, text: str) -> tuple[str, str]:
    """The line that reads one error."""
    return "SYST:ERR?", f'{number},"{text}"'


NO_ERROR = error(0, "No error")
