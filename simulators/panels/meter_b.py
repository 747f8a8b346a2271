"""Front of the meter that is started and fetched, its ranges told by words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.meter_common import Detector, Window, whole_periods_s
from simulators.panels.tree import Call, Command, Refused, Reply
from simulators.world.digitise import range_at_least
from simulators.world.world import World

RANGES_VRMS = {"R300MV": 0.3, "R3V": 3.0, "R30V": 30.0, "R300V": 300.0, "R600V": 600.0}
WORDS = {vrms: word for word, vrms in RANGES_VRMS.items()}
SETTLING_S = {"SLOW": 1.5, "MED": 0.5, "FAST": 0.1}
OVER_RANGE = 1.1
OVERLOAD = 9.9e37


@dataclass(frozen=True)
class _Settings:
    """ac: else DC volts."""

    ac: bool = False
    range_vrms: float = 600.0
    filter: str = "MED"
    average_s: float = 0.020


class MeterB(Front):
    """leads: wire -> contacts that put the input on it."""

    message_s = 0.002

    def __init__(self, world: World, serial: str, leads: Mapping[str, tuple[str, ...]]) -> None:
        super().__init__("meter-b", f"PILOT CUTTER,V-6,{serial},1.02")
        self._detector = Detector(world, f"meter-b {serial}", leads)
        self.reset(0)
        add = self.tree.add
        add("CONFigure:FUNCtion", Command(self._configure, lambda _: "ACV" if self._set.ac else "DCV"))
        add("RANGe", Command(self._set_range, lambda _: WORDS[self._set.range_vrms]))
        add("FILTer", Command(self._set_filter, lambda _: self._set.filter))
        add("APERture", Command(self._set_average, lambda _: f"{self._set.average_s:.3f}"))
        add("INITiate", Command(self._begin, takes=0))
        add("FETCh", Command(query=self._fetch))

    def reset(self, now_ns: int) -> None:
        self._change(_Settings())

    def _change(self, settings: _Settings) -> None:
        """No reading outlasts the settings it was made with."""
        self._set = settings
        self._window: Window | None = None
        self._read: str | None = None

    def _configure(self, call: Call) -> None:
        self._change(_Settings(ac=arg.word(call.args[0], {"ACVolts": True, "DCVolts": False})))

    @property
    def _ac(self) -> _Settings:
        if not self._set.ac:
            raise Refused(-221)
        return self._set

    def _set_range(self, call: Call) -> None:
        ac, text = self._ac, call.args[0]
        if text[:1].isalpha():
            self._change(replace(ac, range_vrms=arg.word(text, RANGES_VRMS)))
            return
        found = range_at_least(arg.number(text, 0.0, math.inf), tuple(WORDS))
        if found is None:
            raise Refused(-222)
        self._change(replace(ac, range_vrms=found))

    def _set_filter(self, call: Call) -> None:
        words = {"SLOW": "SLOW", "MEDium": "MED", "FAST": "FAST"}
        self._change(replace(self._ac, filter=arg.word(call.args[0], words)))

    def _set_average(self, call: Call) -> None:
        self._change(replace(self._ac, average_s=whole_periods_s(arg.number(call.args[0], 0.02, 2.0))))

    # Readings

    def _begin(self, call: Call) -> None:
        settling_s, average_s = SETTLING_S[self._set.filter], self._set.average_s
        end_ns = call.now_ns + round((settling_s + average_s) * 1e9)
        self._window, self._read = Window(end_ns, settling_s, average_s), None

    def _fetch(self, call: Call) -> Reply:
        if self._window is None:
            raise Refused(-230)
        if call.now_ns < self._window.end_ns:
            return Wait(self._window.end_ns)
        if self._read is None:
            self._read = self._reading(self._window)
        return self._read

    def _reading(self, window: Window) -> str:
        if not self._set.ac:
            return arg.signed(self._detector.mean_v(window), 6)
        read_vrms = self._detector.ac_vrms(window, self._set.range_vrms, OVER_RANGE)
        return arg.signed(OVERLOAD, 1) if read_vrms is None else arg.signed(read_vrms, 6)
