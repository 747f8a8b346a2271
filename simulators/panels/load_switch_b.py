"""Front of the matrix of contactors that tells a list of the closed ones."""

from __future__ import annotations

from simulators.panels.front import Front
from simulators.panels.load_switch_common import IN_ORDER, Coils, listed
from simulators.panels.tree import Call, Command
from simulators.world.world import World


class LoadSwitchB(Front):
    """Plain CLOSe opens the rest; all open at power-on."""

    message_s = 0.003

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("load-switch-b", f"WINDLASS,CM-48,{serial},1.6")
        self._coils = Coils(world)
        add = self.tree.add
        add("ROUTe:CLOSe", Command(lambda c: self._coils.set(c.now_ns, frozenset(listed(c))), lambda _: self._list()))
        add("ROUTe:CLOSe:COUNt", Command(query=lambda c: self._coils.cycles_of(listed(c)), query_takes=1))
        add("ROUTe:MULTiple:CLOSe", Command(self._close))
        add("ROUTe:MULTiple:OPEN", Command(self._open))
        add("ROUTe:OPEN:ALL", Command(lambda c: self.reset(c.now_ns), takes=0))

    def reset(self, now_ns: int) -> None:
        self._coils.set(now_ns, frozenset())

    def _close(self, call: Call) -> None:
        self._coils.set(call.now_ns, self._coils.closed | frozenset(listed(call)))

    def _open(self, call: Call) -> None:
        self._coils.set(call.now_ns, self._coils.closed - frozenset(listed(call)))

    def _list(self) -> str:
        return f"(@{','.join(name for name in IN_ORDER if name in self._coils.closed)})"
