"""Front of the one-channel function generator with a 50 ohm source."""

from __future__ import annotations

import math

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.generator_common import MOST_PEAK_V, VPP_PER_VRMS, Sine, Source, refuse_too_high
from simulators.panels.tree import Call, Command, Refused
from simulators.world.signals import SecondTone
from simulators.world.world import World

LEAST_RATIO, MOST_RATIO = 0.1, 10.0
LEAST_VRMS, STEP_VRMS, MOST_EMF_VRMS = 1e-4, 1e-4, 7.0


class GeneratorA(Front):
    """Keeps e.m.f. inside; the load setting changes what is shown, never what comes out."""

    message_s = 0.001

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("generator-a", f"HARBOUR INSTRUMENTS,FG-1,{serial},1.4")
        self._signal = Source(world, Sine())
        self._defaults()
        self._add_signal()
        self._add_burst()

    def _defaults(self) -> None:
        self._in_vrms, self._trigger = False, "IMM"
        self._dual, self._second_hz, self._ratio = False, 1000.0, 1.0

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._signal.reset(now_ns, Sine())

    def wait(self, now_ns: int) -> Wait | None:
        ends_ns = self._signal.burst_ends_ns(now_ns)
        return None if ends_ns is None else Wait(ends_ns)

    @property
    def _sine(self) -> Sine:
        return self._signal.sine

    def _add_signal(self) -> None:
        def add(pattern: str, command: Command) -> None:
            self.tree.add(pattern, command)

        add("SOURce<n>:FUNCtion", Command(self._set_function, lambda _: "DUAL" if self._dual else "SIN"))
        add(
            "SOURce<n>:DUALtone:FREQuency",
            Command(self._set_second_frequency, lambda _: arg.signed(self._second_hz, 10)),
        )
        add("SOURce<n>:DUALtone:RATio", Command(self._set_ratio, lambda _: arg.signed(self._ratio, 7)))
        add(
            "SOURce<n>:FREQuency",
            Command(self._set_frequency, lambda _: arg.signed(self._sine.frequency_hz, 10)),
        )
        add("SOURce<n>:VOLTage", Command(self._set_level, lambda _: arg.signed(self._shown_level, 7)))
        add("SOURce<n>:VOLTage:UNIT", Command(self._set_unit, lambda _: "VRMS" if self._in_vrms else "VPP"))
        add(
            "SOURce<n>:VOLTage:OFFSet",
            Command(self._set_offset, lambda _: arg.signed(self._sine.emf_offset_v * self._sine.shown_part, 7)),
        )
        add("OUTPut<n>:LOAD", Command(self._set_load, lambda _: self._shown_load))
        add("OUTPut<n>[:STATe]", Command(self._set_output, lambda _: arg.flag(self._sine.output)))

    def _add_burst(self) -> None:
        def add(pattern: str, command: Command) -> None:
            self.tree.add(pattern, command)

        add("SOURce<n>:BURSt:MODE", Command(lambda c: arg.word(c.args[0], {"TRIGgered": None}), lambda _: "TRIG"))
        add(
            "SOURce<n>:BURSt:NCYCles",
            Command(self._set_cycles, lambda _: self._shown_cycles),
        )
        add("SOURce<n>:BURSt:PHASe", Command(self._set_phase, lambda _: arg.signed(self._sine.phase_deg, 7)))
        add("SOURce<n>:BURSt:STATe", Command(self._set_burst, lambda _: arg.flag(self._sine.bursts)))
        add("TRIGger<n>:SOURce", Command(self._set_source, lambda _: self._trigger))
        add("*TRG", Command(self._fire, takes=0))

    # Level

    @property
    def _shown_level(self) -> float:
        return self._sine.emf_vrms * self._sine.shown_part * (1.0 if self._in_vrms else VPP_PER_VRMS)

    @property
    def _shown_cycles(self) -> str:
        return arg.ENDLESS if self._sine.cycles is None else f"{self._sine.cycles:+d}"

    @property
    def _shown_load(self) -> str:
        return arg.ENDLESS if math.isinf(self._sine.load_ohm) else arg.signed(self._sine.load_ohm, 7)

    def _set_function(self, call: Call) -> None:
        self._dual = arg.word(call.args[0], {"SINusoid": False, "DUALtone": True})
        self._apply_tones(call.now_ns)

    def _set_second_frequency(self, call: Call) -> None:
        self._second_hz = arg.number(call.args[0], 1e-3, 1e6)
        self._apply_tones(call.now_ns)

    def _set_ratio(self, call: Call) -> None:
        self._ratio = arg.number(call.args[0], LEAST_RATIO, MOST_RATIO)
        self._apply_tones(call.now_ns)

    def _apply_tones(self, now_ns: int) -> None:
        self._sine.second = SecondTone(self._second_hz, self._ratio) if self._dual else None
        self._signal.apply(now_ns)

    def _set_frequency(self, call: Call) -> None:
        self._sine.frequency_hz = arg.number(call.args[0], 1e-3, 1e6)
        self._signal.apply(call.now_ns)

    def _set_level(self, call: Call) -> None:
        shown = arg.number(call.args[0], 0.0, math.inf) / (1.0 if self._in_vrms else VPP_PER_VRMS)
        vrms = round(shown / STEP_VRMS) * STEP_VRMS
        if not LEAST_VRMS * 0.999999 <= vrms <= MOST_EMF_VRMS * self._sine.shown_part * 1.000001:
            raise Refused(-222)
        emf_vrms = vrms / self._sine.shown_part
        refuse_too_high(emf_vrms, self._sine.emf_offset_v)
        self._sine.emf_vrms = emf_vrms
        self._signal.apply(call.now_ns)

    def _set_unit(self, call: Call) -> None:
        self._in_vrms = arg.word(call.args[0], {"VPP": False, "VRMS": True})

    def _set_offset(self, call: Call) -> None:
        offset_v = arg.number(call.args[0], -MOST_PEAK_V, MOST_PEAK_V) / self._sine.shown_part
        refuse_too_high(self._sine.emf_vrms, offset_v)
        self._sine.emf_offset_v = offset_v
        self._signal.apply(call.now_ns)

    def _set_load(self, call: Call) -> None:
        text = call.args[0]
        self._sine.load_ohm = math.inf if arg.is_infinite(text) else arg.number(text, 1.0, 1e6)

    def _set_output(self, call: Call) -> None:
        self._sine.output = arg.switch(call.args[0])
        self._signal.apply(call.now_ns)

    # Bursts

    def _set_cycles(self, call: Call) -> None:
        text = call.args[0]
        self._sine.cycles = None if arg.is_infinite(text) else arg.whole(text, 1, 50_000)

    def _set_phase(self, call: Call) -> None:
        self._sine.phase_deg = arg.number(call.args[0], -360.0, 360.0)
        self._signal.apply(call.now_ns)

    def _set_burst(self, call: Call) -> None:
        self._sine.bursts = arg.switch(call.args[0])
        self._signal.apply(call.now_ns)

    def _set_source(self, call: Call) -> None:
        self._trigger = arg.word(call.args[0], {"IMMediate": "IMM", "EXTernal": "EXT", "BUS": "BUS"})
        self._sine.by_itself = self._trigger == "IMM"
        self._signal.apply(call.now_ns)

    def _fire(self, call: Call) -> None:
        if self._trigger != "BUS":
            raise Refused(-211)
        self._signal.fire(call.now_ns)
