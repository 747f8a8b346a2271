"""Front of the driver lines that are set in one word, a nought closing."""

from __future__ import annotations

import re

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.load_switch_common import IN_ORDER, Coils
from simulators.panels.tree import Call, Command
from simulators.world.world import World

ALL_OPEN = 2 ** len(IN_ORDER) - 1
_BASES = {"H": 16, "B": 2}
_OTHER_BASE = re.compile(r"#(H[0-9A-F]+|B[01]+)")


class LoadSwitchC(Front):
    """`*RST` leaves the lines alone; all open at power-on."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("load-switch-c", f"PILOT CUTTER,DL-48,{serial},2.2")
        self._coils = Coils(world)
        self._word = ALL_OPEN
        self.tree.add("DIGital:OUTPut", Command(self._write, lambda _: str(self._word)))
        self.tree.add("DIGital:OUTPut:OPEN", Command(lambda c: self._set(c.now_ns, ALL_OPEN), takes=0))

    def reset(self, now_ns: int) -> None:
        """Nothing is touched."""

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._set(now_ns, ALL_OPEN)

    def _write(self, call: Call) -> None:
        self._set(call.now_ns, arg.whole(_decimal(call.args[0]), 0, ALL_OPEN))

    def _set(self, now_ns: int, word: int) -> None:
        self._word = word
        self._coils.set(now_ns, frozenset(name for bit, name in enumerate(IN_ORDER) if not word >> bit & 1))


def _decimal(text: str) -> str:
    """Non-decimal numbers of SCPI-1999, 7.3: `#H` and `#B`."""
    match = _OTHER_BASE.fullmatch(text.upper())
    return str(int(match[1][1:], _BASES[match[1][0]])) if match else text
