"""What a page is of. Pure."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class About:
    """bench: its name. simulated: a rehearsal. has_queue: of a daemon."""

    bench: str
    simulated: bool
    has_queue: bool

    @property
    def title(self) -> str:
        return f"Bench {self.bench}{', a rehearsal' if self.simulated else ''}"
