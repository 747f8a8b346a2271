"""Front of the meter for true rms of AC volts."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.meter_common import MAINS_S, Detector, Window
from simulators.panels.tree import Call, Command, Refused
from simulators.world.digitise import range_at_least
from simulators.world.world import World

RANGES_VRMS = (0.1, 1.0, 10.0, 100.0, 750.0)
SETTLING_S = {3: 2.5, 20: 0.5, 200: 0.1}
OVER_RANGE = 1.2
OVERLOAD = 9.9e37
MOST_OHM, OHMS_S = 1e7, 0.2


@dataclass(frozen=True)
class _Settings:
    """ac: else DC volts, or ohms."""

    ac: bool = False
    ohms: bool = False
    range_vrms: float = 750.0
    lowest_hz: int = 20
    mains_cycles: float = 1.0


class MeterA(Front):
    """leads: wire -> contacts that put the input on it; without any it always hangs there."""

    message_s = 0.002

    def __init__(self, world: World, serial: str, leads: Mapping[str, tuple[str, ...]]) -> None:
        super().__init__("meter-a", f"NORTHQUAY,TM-6,{serial},4.1")
        self._detector = Detector(world, f"meter-a {serial}", leads)
        self._set = _Settings()
        add = self.tree.add
        add("CONFigure:VOLTage:AC", Command(self._configure, takes=0))
        add("CONFigure:RESistance", Command(self._configure_ohms, takes=0))
        add("VOLTage:AC:RANGe", Command(self._set_range, lambda _: arg.plain(self._set.range_vrms, 5)))
        add("VOLTage:AC:BANDwidth", Command(self._set_bandwidth, lambda _: str(self._set.lowest_hz)))
        add("VOLTage:AC:NPLCycles", Command(self._set_average, lambda _: arg.plain(self._set.mains_cycles, 5)))
        add("READ", Command(query=self._read, lasts_s=lambda _: self._reading_s))

    def reset(self, now_ns: int) -> None:
        self._set = _Settings()

    def _configure(self, _call: Call) -> None:
        self._set = _Settings(ac=True)

    def _configure_ohms(self, _call: Call) -> None:
        self._set = _Settings(ohms=True)

    @property
    def _ac(self) -> _Settings:
        if not self._set.ac:
            raise Refused(-221)
        return self._set

    def _set_range(self, call: Call) -> None:
        found = range_at_least(arg.number(call.args[0], 0.0, math.inf), RANGES_VRMS)
        if found is None:
            raise Refused(-222)
        self._set = replace(self._ac, range_vrms=found)

    def _set_bandwidth(self, call: Call) -> None:
        lowest_hz = arg.number(call.args[0], 0.0, 1e3)
        if lowest_hz not in SETTLING_S:
            raise Refused(-222)
        self._set = replace(self._ac, lowest_hz=int(lowest_hz))

    def _set_average(self, call: Call) -> None:
        self._set = replace(self._ac, mains_cycles=arg.number(call.args[0], 0.1, 100.0))

    # Reading

    @property
    def _settling_s(self) -> float:
        return SETTLING_S[self._set.lowest_hz]

    @property
    def _window_s(self) -> float:
        return self._set.mains_cycles * MAINS_S

    @property
    def _reading_s(self) -> float:
        return OHMS_S if self._set.ohms else self._settling_s + self._window_s

    def _read(self, call: Call) -> str:
        if self._set.ohms:
            ohm = self._detector.ohm(call.window_end_ns)
            return arg.signed(ohm if ohm <= MOST_OHM else OVERLOAD, 8)
        window = Window(call.window_end_ns, self._settling_s, self._window_s)
        if not self._set.ac:
            return arg.signed(self._detector.mean_v(window), 8)
        read_vrms = self._detector.ac_vrms(window, self._set.range_vrms, OVER_RANGE)
        return arg.signed(OVERLOAD if read_vrms is None else read_vrms, 8)
