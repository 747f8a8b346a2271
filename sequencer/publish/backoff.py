"""How long to wait before the next attempt to reach a broker. Pure: chance is handed in."""

from __future__ import annotations

FIRST_S, LONGEST_S = 0.5, 30.0


class Backoff:
    """0.5 s, doubled at each failure, at most 30 s; each shortened by up to half, so that many do not come at once."""

    def __init__(self, first_s: float = FIRST_S, longest_s: float = LONGEST_S) -> None:
        self._first_s, self._longest_s = first_s, longest_s
        self._next_s = first_s

    def next_s(self, chance: float) -> float:
        """chance: 0 to 1, drawn anew for each wait."""
        wait_s = self._next_s
        self._next_s = min(self._longest_s, wait_s * 2.0)
        return wait_s * (1.0 - chance / 2.0)

    def reset(self) -> None:
        self._next_s = self._first_s
