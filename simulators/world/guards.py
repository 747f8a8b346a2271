"""Contacts of the interlock, and the relay in the supply's lead that drops when it is not fed."""

from __future__ import annotations

from collections.abc import Callable

MOVES_NS = 15_000_000
ALWAYS_NS = 1 << 62

Plan = Callable[[int, Callable[[int], None]], None]


class Guards:
    """settle, plan: of the world. moved: told at which instant the relay moved. A bench without the relay has a plain
    lead in its place: in for ever."""

    def __init__(self, settle: Callable[[int], None], plan: Plan, moved: Callable[[int], None]) -> None:
        self._settle, self._plan, self._moved = settle, plan, moved
        self._open: set[str] = set()
        self._fed_until_ns, self._is_welded = ALWAYS_NS, False
        self.is_in = True

    # The interlock

    def is_closed(self, contact: str, now_ns: int) -> bool:
        self._settle(now_ns)
        return contact not in self._open

    def open(self, contact: str, at_ns: int) -> None:
        """From then on, until it is closed again."""
        self._plan(at_ns, lambda _: self._open.add(contact))

    def close(self, contact: str, at_ns: int) -> None:
        self._plan(at_ns, lambda _: self._open.discard(contact))

    # The relay

    def fit(self, at_ns: int) -> None:
        """There is one, dropped as at power-on."""
        self._fed_until_ns = at_ns
        self._plan(at_ns, self._fitted)

    def _fitted(self, at_ns: int) -> None:
        self.is_in = False
        self._moved(at_ns)

    def relay_is_in(self, now_ns: int) -> bool:
        self._settle(now_ns)
        return self.is_in

    def is_fed(self, now_ns: int) -> bool:
        """Its coil is on."""
        self._settle(now_ns)
        return now_ns < self._fed_until_ns

    def feed_until(self, now_ns: int, until_ns: int) -> None:
        """Fed from now until then; not at all where that is now. The armature follows."""
        self._settle(now_ns)
        self._fed_until_ns = until_ns
        for at_ns in sorted({now_ns, until_ns}):
            self._plan(at_ns + MOVES_NS, self._move)

    def weld(self, at_ns: int) -> None:
        """From then on it stays where it is in, or as soon as it is."""
        self._plan(at_ns, self._weld)

    def _weld(self, _at_ns: int) -> None:
        self._is_welded = True

    def _move(self, at_ns: int) -> None:
        is_in = at_ns < self._fed_until_ns + MOVES_NS or (self._is_welded and self.is_in)
        if is_in is not self.is_in:
            self.is_in = is_in
            self._moved(at_ns)
