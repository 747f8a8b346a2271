"""Front of the thermometer with eight thermocouples on each of two terminal blocks."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.thermometer_common import Sensors, listed
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

OPEN = 9.9e37
EACH_S = 0.040


class ThermometerA(Front):
    """Inputs 301 to 316; one that is connected to nothing reads as open."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("thermometer-a", f"LIGHTSHIP,TH-8,{serial},1.1")
        self._sensors = Sensors(world, f"thermometer-a {serial}")
        add = self.tree.add
        add("CONFigure:TEMPerature", Command(_check_kind, takes=2))
        add("UNIT:TEMPerature", Command(lambda c: arg.word(c.args[0], {"C": None}), lambda _: "C"))
        add("READ", Command(query=self._read, query_takes=1, lasts_s=_reading_lasts_s))

    def reset(self, now_ns: int) -> None:
        """Kind and unit have one value each."""

    def _read(self, call: Call) -> str:
        names = listed(call)
        return ",".join(arg.signed(self._celsius(name, call.now_ns), 8) for name in names)

    def _celsius(self, name: str, now_ns: int) -> float:
        read_c = self._sensors.celsius(name, now_ns)
        return OPEN if read_c is None else read_c

    @property
    def broken(self) -> set[str]:
        """Inputs whose sensor is torn off."""
        return self._sensors.broken


def _check_kind(call: Call) -> None:
    arg.word(call.args[0], {"TC": None})
    arg.word(call.args[1], {"K": None})


def _reading_lasts_s(args: tuple[str, ...]) -> float:
    """40 ms for each input; a list that can't be read takes a message's time."""
    try:
        return EACH_S * len(arg.channels(args[0])) if len(args) == 1 else 0.0
    except Refused:
        return 0.0
