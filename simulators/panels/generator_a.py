"""Front of the one-channel function generator with a 50 ohm source."""

from __future__ import annotations

import math

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.signals import SOURCE_OHM, SecondTone
from simulators.world.world import World

VPP_PER_VRMS = 2.0 * math.sqrt(2.0)
LEAST_RATIO, MOST_RATIO = 0.1, 10.0
LEAST_VRMS, STEP_VRMS, MOST_EMF_VRMS, MOST_PEAK_V = 1e-4, 1e-4, 7.0, 10.0


class GeneratorA(Front):
    """Keeps e.m.f. inside; the load setting changes what is shown, never what comes out."""

    message_s = 0.001

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("generator-a", f"HARBOUR INSTRUMENTS,FG-1,{serial},1.4")
        self._world = world
        self._defaults()
        self._add_signal()
        self._add_burst()

    def _defaults(self) -> None:
        self._frequency_hz, self._emf_vrms, self._emf_offset_v = 1000.0, 0.1, 0.0
        self._in_vrms, self._load_ohm = False, 50.0
        self._cycles: int | None = 1
        self._phase_deg, self._burst, self._source, self._output = 0.0, False, "IMM", False
        self._fired = False
        self._dual, self._second_hz, self._ratio = False, 1000.0, 1.0

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._world.rest(now_ns)

    def wait(self, now_ns: int) -> Wait | None:
        tone = self._world.tone_at(now_ns)
        return Wait(tone.end_ns) if tone is not None and self._burst else None

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
            Command(self._set_frequency, lambda _: arg.signed(self._frequency_hz, 10)),
        )
        add("SOURce<n>:VOLTage", Command(self._set_level, lambda _: arg.signed(self._shown_level, 7)))
        add("SOURce<n>:VOLTage:UNIT", Command(self._set_unit, lambda _: "VRMS" if self._in_vrms else "VPP"))
        add(
            "SOURce<n>:VOLTage:OFFSet",
            Command(self._set_offset, lambda _: arg.signed(self._emf_offset_v * self._shown_part, 7)),
        )
        add("OUTPut<n>:LOAD", Command(self._set_load, lambda _: self._shown_load))
        add("OUTPut<n>[:STATe]", Command(self._set_output, lambda _: arg.flag(self._output)))

    def _add_burst(self) -> None:
        def add(pattern: str, command: Command) -> None:
            self.tree.add(pattern, command)

        add("SOURce<n>:BURSt:MODE", Command(lambda c: arg.word(c.args[0], {"TRIGgered": None}), lambda _: "TRIG"))
        add(
            "SOURce<n>:BURSt:NCYCles",
            Command(self._set_cycles, lambda _: arg.ENDLESS if self._cycles is None else f"{self._cycles:+d}"),
        )
        add("SOURce<n>:BURSt:PHASe", Command(self._set_phase, lambda _: arg.signed(self._phase_deg, 7)))
        add("SOURce<n>:BURSt:STATe", Command(self._set_burst, lambda _: arg.flag(self._burst)))
        add("TRIGger<n>:SOURce", Command(self._set_source, lambda _: self._source))
        add("*TRG", Command(self._fire, takes=0))

    # Level

    @property
    def _shown_part(self) -> float:
        """Volts shown per volt of e.m.f."""
        return 1.0 if math.isinf(self._load_ohm) else self._load_ohm / (self._load_ohm + SOURCE_OHM)

    @property
    def _shown_level(self) -> float:
        return self._emf_vrms * self._shown_part * (1.0 if self._in_vrms else VPP_PER_VRMS)

    @property
    def _shown_load(self) -> str:
        return arg.ENDLESS if math.isinf(self._load_ohm) else arg.signed(self._load_ohm, 7)

    def _set_function(self, call: Call) -> None:
        self._dual = arg.word(call.args[0], {"SINusoid": False, "DUALtone": True})
        self._apply(call.now_ns)

    def _set_second_frequency(self, call: Call) -> None:
        self._second_hz = arg.number(call.args[0], 1e-3, 1e6)
        self._apply(call.now_ns)

    def _set_ratio(self, call: Call) -> None:
        self._ratio = arg.number(call.args[0], LEAST_RATIO, MOST_RATIO)
        self._apply(call.now_ns)

    def _set_frequency(self, call: Call) -> None:
        self._frequency_hz = arg.number(call.args[0], 1e-3, 1e6)
        self._apply(call.now_ns)

    def _set_level(self, call: Call) -> None:
        shown = arg.number(call.args[0], 0.0, math.inf) / (1.0 if self._in_vrms else VPP_PER_VRMS)
        vrms = round(shown / STEP_VRMS) * STEP_VRMS
        if not LEAST_VRMS * 0.999999 <= vrms <= MOST_EMF_VRMS * self._shown_part * 1.000001:
            raise Refused(-222)
        emf_vrms = vrms / self._shown_part
        _refuse_too_high(emf_vrms, self._emf_offset_v)
        self._emf_vrms = emf_vrms
        self._apply(call.now_ns)

    def _set_unit(self, call: Call) -> None:
        self._in_vrms = arg.word(call.args[0], {"VPP": False, "VRMS": True})

    def _set_offset(self, call: Call) -> None:
        offset_v = arg.number(call.args[0], -MOST_PEAK_V, MOST_PEAK_V) / self._shown_part
        _refuse_too_high(self._emf_vrms, offset_v)
        self._emf_offset_v = offset_v
        self._apply(call.now_ns)

    def _set_load(self, call: Call) -> None:
        text = call.args[0]
        self._load_ohm = math.inf if arg.is_infinite(text) else arg.number(text, 1.0, 1e6)

    def _set_output(self, call: Call) -> None:
        self._output = arg.switch(call.args[0])
        self._apply(call.now_ns)

    # Bursts

    def _set_cycles(self, call: Call) -> None:
        text = call.args[0]
        self._cycles = None if arg.is_infinite(text) else arg.whole(text, 1, 50_000)

    def _set_phase(self, call: Call) -> None:
        self._phase_deg = arg.number(call.args[0], -360.0, 360.0)
        self._apply(call.now_ns)

    def _set_burst(self, call: Call) -> None:
        self._burst = arg.switch(call.args[0])
        self._apply(call.now_ns)

    def _set_source(self, call: Call) -> None:
        self._source = arg.word(call.args[0], {"IMMediate": "IMM", "EXTernal": "EXT", "BUS": "BUS"})
        self._apply(call.now_ns)

    def _fire(self, call: Call) -> None:
        ready = self._burst and self._output and self._source == "BUS"
        if not ready or self._world.tone_at(call.now_ns) is not None:
            raise Refused(-211)
        self._begin(call.now_ns, self._cycles)
        self._fired = True

    def _apply(self, now_ns: int) -> None:
        """Bring the world in line. A burst that runs goes on as it began; repeating bursts are a tone without end."""
        running = self._fired and self._world.tone_at(now_ns) is not None
        if self._output and self._burst and running:
            self._world.set_idle_emf(now_ns, self._idle_emf_v)
            return
        self._fired = False
        if self._output and (not self._burst or self._source == "IMM"):
            self._begin(now_ns, None)
        else:
            self._world.rest(now_ns, self._idle_emf_v if self._output else 0.0)

    @property
    def _idle_emf_v(self) -> float:
        """Of two tones only the first one's phase is set."""
        peak_v = self._emf_vrms * math.sqrt(2.0) * (self._ratio / (1.0 + self._ratio) if self._dual else 1.0)
        return self._emf_offset_v + peak_v * math.sin(math.radians(self._phase_deg))

    def _begin(self, now_ns: int, cycles: int | None) -> None:
        self._world.set_idle_emf(now_ns, self._idle_emf_v)
        second = SecondTone(self._second_hz, self._ratio) if self._dual else None
        self._world.fire(
            now_ns, self._emf_vrms, self._frequency_hz, cycles, self._phase_deg, self._emf_offset_v, second
        )


def _refuse_too_high(emf_vrms: float, offset_v: float) -> None:
    if abs(offset_v) + emf_vrms * math.sqrt(2.0) > MOST_PEAK_V * 1.000001:
        raise Refused(-221)
