"""Front of the thermometer with eight thermocouples on each of two terminal blocks."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.noise import normal
from simulators.world.world import World

INPUTS = frozenset(str(n) for n in range(301, 317))
OPEN = 9.9e37
EACH_S = 0.040
STEP_K = 0.01


class ThermometerA(Front):
    """Inputs 301 to 316; one that is connected to nothing reads as open."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("thermometer-a", f"LIGHTSHIP,TH-8,{serial},1.1")
        self._world, self._key = world, f"thermometer-a {serial}"
        self.broken: set[str] = set()
        add = self.tree.add
        add("CONFigure:TEMPerature", Command(_check_kind, takes=2))
        add("UNIT:TEMPerature", Command(lambda c: arg.word(c.args[0], {"C": None}), lambda _: "C"))
        add("READ", Command(query=self._read, query_takes=1, lasts_s=_reading_lasts_s))

    def reset(self, now_ns: int) -> None:
        """Kind and unit have one value each."""

    def _read(self, call: Call) -> str:
        names = arg.channels(call.args[0])
        if not INPUTS.issuperset(names):
            raise Refused(-222)
        return ",".join(arg.signed(self._celsius(name, call.now_ns), 8) for name in names)

    def _celsius(self, name: str, now_ns: int) -> float:
        true_c = None if name in self.broken else self._world.temperature_c(name, now_ns)
        if true_c is None:
            return OPEN
        bench = self._world.bench
        noise_k = bench.thermometer_noise_k * normal(self._world.seed, self._key, name, now_ns)
        read_c = true_c + bench.thermometer_error_k.get(name, 0.0) + noise_k
        return round(read_c / STEP_K) * STEP_K


def _check_kind(call: Call) -> None:
    arg.word(call.args[0], {"TC": None})
    arg.word(call.args[1], {"K": None})


def _reading_lasts_s(args: tuple[str, ...]) -> float:
    """40 ms for each input; a list that can't be read takes a message's time."""
    try:
        return EACH_S * len(arg.channels(args[0])) if len(args) == 1 else 0.0
    except Refused:
        return 0.0
