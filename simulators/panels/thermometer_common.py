"""What the thermometers' fronts share: inputs 301 to 316, and what a thermocouple at each gives."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.tree import Call, Refused
from simulators.world.noise import normal
from simulators.world.world import World

INPUTS = frozenset(str(n) for n in range(301, 317))
STEP_K = 0.01
TERMINALS_C = 25.0
# The sensors are of type K, about 41 uV/K near room temperature; read as another kind (type J 52, type T 41 uV/K), what
# stands above the terminals is shown smaller. Slopes from memory of the tables of IEC 60584-1.
READ_AS = {"K": 1.0, "J": 0.79, "T": 1.0}


class Sensors:
    """broken: inputs whose sensor is torn off; those that are connected to nothing are open too."""

    def __init__(self, world: World, key: str) -> None:
        self._world, self._key = world, key
        self.broken: set[str] = set()

    def celsius(self, name: str, now_ns: int, kind: str = "K") -> float | None:
        """As shown, in hundredths; None: open. kind: of thermocouple the instrument takes it for."""
        true_c = None if name in self.broken else self._world.temperature_c(name, now_ns)
        if true_c is None:
            return None
        bench = self._world.bench
        noise_k = bench.thermometer_noise_k * normal(self._world.seed, self._key, name, now_ns)
        read_c = true_c + bench.thermometer_error_k.get(name, 0.0) + noise_k
        if kind != "K":
            read_c = TERMINALS_C + READ_AS[kind] * (read_c - TERMINALS_C)
        return round(read_c / STEP_K) * STEP_K


def listed(call: Call) -> list[str]:
    """The inputs of a call's list, in its order. Refused -222 where there is no such input."""
    names = arg.channels(call.args[0])
    if not INPUTS.issuperset(names):
        raise Refused(-222)
    return names
