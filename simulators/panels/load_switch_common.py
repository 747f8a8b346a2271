"""What the load switches' fronts share: coils of contacts 101 to 116 and 201 to 232, and how often each closed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from simulators.panels import arguments as arg
from simulators.panels.tree import Call, Refused
from simulators.world.world import World

IN_ORDER = tuple(str(n) for n in (*range(101, 117), *range(201, 233)))
CONTACTS = frozenset(IN_ORDER)


class Coils:
    """closed: those that are on. Contacts follow by themselves."""

    def __init__(self, world: World) -> None:
        self._world = world
        self._cycles: Counter[str] = Counter()
        self.closed: frozenset[str] = frozenset()

    def set(self, now_ns: int, closed: frozenset[str]) -> None:
        self._cycles.update(closed - self.closed)
        self.closed = closed
        self._world.set_coils(now_ns, closed)

    def cycles_of(self, names: Iterable[str]) -> str:
        """How often each has closed, as comma fields."""
        return ",".join(str(self._cycles[name]) for name in names)


def listed(call: Call) -> list[str]:
    """The contacts of a call's list, in its order. Refused -222 where there is no such contact."""
    names = arg.channels(call.args[0])
    if not CONTACTS.issuperset(names):
        raise Refused(-222)
    return names
