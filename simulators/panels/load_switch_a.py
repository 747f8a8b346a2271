"""Front of the matrix of contactors: it answers for its coils, not for its contacts."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.load_switch_common import Coils, listed
from simulators.panels.tree import Call, Command
from simulators.world.world import World


class LoadSwitchA(Front):
    """Contacts 101 to 116 and 201 to 232; all open at power-on."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("load-switch-a", f"HARBOUR INSTRUMENTS,RB-32,{serial},1.0")
        self._coils = Coils(world)
        add = self.tree.add
        add("ROUTe:CLOSe", Command(self._close, self._ask, query_takes=1))
        add("ROUTe:OPEN", Command(lambda c: self._coils.set(c.now_ns, self._coils.closed - frozenset(listed(c)))))
        add("ROUTe:OPEN:ALL", Command(lambda c: self.reset(c.now_ns), takes=0))
        add("DIAGnostic:CYCLes", Command(query=self._ask_cycles, query_takes=1))

    def reset(self, now_ns: int) -> None:
        self._coils.set(now_ns, frozenset())

    def _close(self, call: Call) -> None:
        self._coils.set(call.now_ns, self._coils.closed | frozenset(listed(call)))

    def _ask(self, call: Call) -> str:
        return ",".join(arg.flag(name in self._coils.closed) for name in listed(call))

    def _ask_cycles(self, call: Call) -> str:
        return self._coils.cycles_of(listed(call))
