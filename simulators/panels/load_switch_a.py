"""Front of the matrix of contactors: it answers for its coils, not for its contacts."""

from __future__ import annotations

from collections import Counter

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

CONTACTS = frozenset(str(n) for n in (*range(101, 117), *range(201, 233)))


class LoadSwitchA(Front):
    """Contacts 101 to 116 and 201 to 232; all open at power-on."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("load-switch-a", f"HARBOUR INSTRUMENTS,RB-32,{serial},1.0")
        self._world = world
        self._closed: frozenset[str] = frozenset()
        self._cycles: Counter[str] = Counter()
        add = self.tree.add
        add("ROUTe:CLOSe", Command(self._close, self._ask, query_takes=1))
        add("ROUTe:OPEN", Command(lambda c: self._set(c.now_ns, self._closed - _contacts(c))))
        add("ROUTe:OPEN:ALL", Command(lambda c: self.reset(c.now_ns), takes=0))
        add("DIAGnostic:CYCLes", Command(query=self._ask_cycles, query_takes=1))

    def reset(self, now_ns: int) -> None:
        self._set(now_ns, frozenset())

    def _close(self, call: Call) -> None:
        self._set(call.now_ns, self._closed | _contacts(call))

    def _set(self, now_ns: int, closed: frozenset[str]) -> None:
        self._cycles.update(closed - self._closed)
        self._closed = closed
        self._world.set_coils(now_ns, closed)

    def _ask(self, call: Call) -> str:
        return ",".join(arg.flag(name in self._closed) for name in _ordered(call))

    def _ask_cycles(self, call: Call) -> str:
        return ",".join(str(self._cycles[name]) for name in _ordered(call))


def _ordered(call: Call) -> list[str]:
    names = arg.channels(call.args[0])
    if not CONTACTS.issuperset(names):
        raise Refused(-222)
    return names


def _contacts(call: Call) -> frozenset[str]:
    return frozenset(_ordered(call))
