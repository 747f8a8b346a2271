"""Front of the thermometer that goes round a list."""

from __future__ import annotations

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.thermometer_common import Sensors, listed
from simulators.panels.tree import Call, Command, Refused, Reply
from simulators.world.world import World

EACH_S = 0.100
OPEN = "9.9E37"
ZERO_CELSIUS_K = 273.15


class ThermometerB(Front):
    """Fahrenheit and type J until it is told otherwise."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("thermometer-b", f"WINDLASS,TS-16,{serial},4.0")
        self._sensors = Sensors(world, f"thermometer-b {serial}")
        self._defaults()
        add = self.tree.add
        add("TEMPerature:TCouple:TYPE", Command(self._set_kind, lambda _: self._kind))
        add("UNIT:TEMPerature", Command(self._set_unit, lambda _: self._unit))
        add("ROUTe:SCAN", Command(self._set_list, lambda _: f"(@{','.join(self._list)})"))
        add("READ", Command(query=self._read))
        add("FETCh", Command(query=lambda _: self._fetch()))

    def _defaults(self) -> None:
        self._kind, self._unit = "J", "F"
        self._list: list[str] = []
        self._last: str | None = None
        self._over_ns: int | None = None

    def reset(self, now_ns: int) -> None:
        self._defaults()

    @property
    def broken(self) -> set[str]:
        """Inputs whose sensor is torn off."""
        return self._sensors.broken

    def _set_kind(self, call: Call) -> None:
        self._kind, self._last = arg.word(call.args[0], {kind: kind for kind in "JKT"}), None

    def _set_unit(self, call: Call) -> None:
        self._unit, self._last = arg.word(call.args[0], {unit: unit for unit in "CFK"}), None

    def _set_list(self, call: Call) -> None:
        self._list, self._last = list(dict.fromkeys(listed(call))), None

    def _read(self, call: Call) -> Reply:
        """Only when it is asked is it known how long the list is."""
        if not self._list:
            raise Refused(-221)
        if self._over_ns is None:
            self._over_ns = call.now_ns + round(EACH_S * 1e9) * len(self._list)
        if call.now_ns < self._over_ns:
            return Wait(self._over_ns)
        self._over_ns = None
        self._last = ",".join(self._shown(name, call.now_ns) for name in self._list)
        return self._last

    def _fetch(self) -> str:
        if self._last is None:
            raise Refused(-230)
        return self._last

    def _shown(self, name: str, now_ns: int) -> str:
        read_c = self._sensors.celsius(name, now_ns, self._kind)
        if read_c is None:
            return OPEN
        shown = {"C": read_c, "F": 32.0 + 1.8 * read_c, "K": read_c + ZERO_CELSIUS_K}[self._unit]
        return f"{shown:.2f}"
