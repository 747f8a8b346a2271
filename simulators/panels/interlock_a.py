"""Front of the instrument that reads eight contacts."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

CONTACTS = frozenset(str(n) for n in range(401, 409))
NEITHER = "9.91E+37"


class InterlockA(Front):
    """Inputs 401 to 408. doubtful: those whose test current does not flow."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("interlock-a", f"NORTHQUAY,IN-8,{serial},1.2")
        self._world = world
        self.doubtful: set[str] = set()
        self.tree.add("INPut:STATe", Command(query=self._read, query_takes=1))

    def reset(self, now_ns: int) -> None:
        """It has no settings."""

    def _read(self, call: Call) -> str:
        names = arg.channels(call.args[0])
        if not CONTACTS.issuperset(names):
            raise Refused(-222)
        return ",".join(self._state(name, call.now_ns) for name in names)

    def _state(self, name: str, now_ns: int) -> str:
        return NEITHER if name in self.doubtful else arg.flag(self._world.guards.is_closed(name, now_ns))
