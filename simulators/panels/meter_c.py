"""Front of the meter with a word for its function and labels on its replies; it has an event register and no queue."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.meter_common import Detector, Window, whole_periods_s
from simulators.panels.tree import Call, Command, Refused
from simulators.world.digitise import range_at_least
from simulators.world.world import World

RANGES_VRMS = (0.2, 2.0, 20.0, 200.0, 600.0)
SETTLING_S = {20: 0.5, 200: 0.1}
OVER_RANGE = 1.2


@dataclass(frozen=True)
class _Settings:
    """ac: else DC volts."""

    ac: bool = False
    range_vrms: float = 600.0
    lowest_hz: int = 20
    average_s: float = 0.020


class MeterC(Front):
    """leads: wire -> contacts that put the input on it."""

    message_s = 0.003

    def __init__(self, world: World, serial: str, leads: Mapping[str, tuple[str, ...]]) -> None:
        super().__init__("meter-c", f"BINNACLE VM-4 s{serial} v2.0")
        self._detector = Detector(world, f"meter-c {serial}", leads)
        self._set = _Settings()
        add = self.tree.add
        add("FUNCtion", Command(self._set_function, lambda _: f'FUNCTION "{self._word}"'))
        add("RANGe", Command(self._set_range, lambda _: f"RANGE {self._set.range_vrms:g} V"))
        add("DETector", Command(self._set_detector, lambda _: f"DETECTOR {self._set.lowest_hz} HZ"))
        add("INTegrate", Command(self._set_average, lambda _: f"INTEGRATE {1e3 * self._set.average_s:.0f} MS"))
        add("VALue", Command(query=self._read, lasts_s=lambda _: self._settling_s + self._set.average_s))

    def _add_common(self) -> None:
        add = self.tree.add
        add("ID", Command(query=lambda _: self._identity))
        add("*RST", Command(set=lambda call: self.reset(call.now_ns), takes=0))
        add("*CLS", Command(set=lambda _: self._clear_status(), takes=0))
        add("*ESR", Command(query=self._take_events))

    def reset(self, now_ns: int) -> None:
        self._set = _Settings()

    @property
    def _word(self) -> str:
        return "ACV" if self._set.ac else "DCV"

    @property
    def _ac(self) -> _Settings:
        if not self._set.ac:
            raise Refused(-221)
        return self._set

    def _set_function(self, call: Call) -> None:
        text = call.args[0]
        if text[:1] != '"' or text[-1:] != '"' or len(text) < 2:
            raise Refused(-104)
        self._set = _Settings(ac=arg.word(text[1:-1], {"ACV": True, "DCV": False}))

    def _set_range(self, call: Call) -> None:
        ac = self._ac
        found = range_at_least(arg.number(call.args[0], 0.0, math.inf), RANGES_VRMS)
        if found is None:
            raise Refused(-222)
        self._set = replace(ac, range_vrms=found)

    def _set_detector(self, call: Call) -> None:
        ac, lowest_hz = self._ac, arg.number(call.args[0], 0.0, 1e3)
        if lowest_hz not in SETTLING_S:
            raise Refused(-222)
        self._set = replace(ac, lowest_hz=int(lowest_hz))

    def _set_average(self, call: Call) -> None:
        self._set = replace(self._ac, average_s=whole_periods_s(1e-3 * arg.number(call.args[0], 20.0, 2000.0)))

    # Readings

    @property
    def _settling_s(self) -> float:
        return SETTLING_S[self._set.lowest_hz]

    def _read(self, call: Call) -> str:
        window = Window(call.window_end_ns, self._settling_s, self._set.average_s)
        if not self._set.ac:
            return f"VALUE DCV {self._detector.mean_v(window):+.5f} V"
        read_vrms = self._detector.ac_vrms(window, self._set.range_vrms, OVER_RANGE)
        return "VALUE ACV OL" if read_vrms is None else f"VALUE ACV {read_vrms:+.5f} V"
