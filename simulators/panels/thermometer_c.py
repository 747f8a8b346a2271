"""Front of the small box that is spoken to in letters and answers in tenths of a degree."""

from __future__ import annotations

from simulators.panels.front import Front
from simulators.panels.thermometer_common import INPUTS, Sensors
from simulators.world.world import World

EACH_S = 0.080
DONE, UNKNOWN, NO_SUCH = "OK", "E1", "E2"
OPEN = "+9999"
MOST_TENTHS = 9998


class ThermometerC(Front):
    """Every message has one reply; nothing is as in SCPI."""

    message_s = 0.010
    terminator = b"\r"

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("thermometer-c", f"BINNACLE T16 s{serial} v1.3")
        self._sensors = Sensors(world, f"thermometer-c {serial}")
        self._kind = "J"

    def reset(self, now_ns: int) -> None:
        self._kind = "J"

    @property
    def broken(self) -> set[str]:
        """Inputs whose sensor is torn off."""
        return self._sensors.broken

    def cost_s(self, message: str) -> float:
        return EACH_S if message[:1] == "T" and message[1:] in INPUTS else self.message_s

    def execute(self, message: str, now_ns: int) -> bytes:
        return self._reply(message, now_ns).encode() + self.terminator

    def _reply(self, message: str, now_ns: int) -> str:
        match message[:1], message[1:]:
            case "I", "":
                return self._identity
            case "Z", "":
                self.reset(now_ns)
                return DONE
            case "S", "?":
                return self._kind
            case "S", "J" | "K" as kind:
                self._kind = kind
                return DONE
            case "U", "?":
                return "C"
            case "U", "C":
                return DONE
            case "T", name if name in INPUTS:
                return self._tenths(name, now_ns)
            case "S" | "U" | "T", _:
                return NO_SUCH
        return UNKNOWN

    def _tenths(self, name: str, now_ns: int) -> str:
        read_c = self._sensors.celsius(name, now_ns, self._kind)
        if read_c is None:
            return OPEN
        return f"{max(-MOST_TENTHS, min(round(10.0 * read_c), MOST_TENTHS)):+05d}"
