"""What a consumer has of one ledger: each message once, in the order of seq, and what is missing. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.publish.spans import Span, added, holds, not_in

Body = Mapping[str, Any]


@dataclass
class Gathered:
    """`take` what arrives; what it returns is next in order. What waits behind a gap comes when that is filled, or
    given up. told_to: the highest number known to exist. repeated: arrivals of what was there already.
    """

    have: list[Span] = field(default_factory=list)
    told_to: int = 0
    repeated: int = 0
    _ids: set[str] = field(default_factory=set)
    _behind: dict[int, Body] = field(default_factory=dict)
    _given_up: list[Span] = field(default_factory=list)
    _next: int = 1

    def take(self, body: Body) -> list[Body]:
        """body: a checked message with `id` and `seq` >= 1. Returns what is to be shown now."""
        seq, name = int(body["seq"]), str(body["id"])
        if name in self._ids or holds(self.have, seq):
            self.repeated += 1
            return []
        self._ids.add(name)
        self.have = added(self.have, (seq, seq))
        self.told_to = max(self.told_to, seq)
        if seq < self._next:  # it was given up, and comes after all
            return [body]
        self._behind[seq] = body
        return self._in_order()

    def heard_of(self, seq: int) -> None:
        """There are messages up to this number."""
        self.told_to = max(self.told_to, seq)

    def missing(self) -> list[Span]:
        """What is known to exist, is not here, and was not given up."""
        return not_in([*self.have, *self._given_up], self.told_to)

    def lost(self) -> int:
        """How many are not here at all."""
        return sum(last - first + 1 for first, last in not_in(self.have, self.told_to))

    def count(self) -> int:
        """How many are here."""
        return sum(last - first + 1 for first, last in self.have)

    def give_up(self, spans: Iterable[Span]) -> list[Body]:
        """Nobody will send them; returns what waited behind them."""
        for one in spans:
            self._given_up = added(self._given_up, one)
        return self._in_order()

    def rest(self) -> list[Body]:
        """What still waits behind a gap, in order: at the end."""
        return [self._behind[seq] for seq in sorted(self._behind)]

    def _in_order(self) -> list[Body]:
        ready: list[Body] = []
        while True:
            if self._next in self._behind:
                ready.append(self._behind.pop(self._next))
                self._next += 1
            elif self._next <= self.told_to and holds(self._given_up, self._next):
                self._next += 1
            else:
                return ready
