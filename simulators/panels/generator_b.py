"""Front of the older function generator: volts peak to peak, bursts under their own node, repeated at a rate."""

from __future__ import annotations

import math

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.generator_common import VPP_PER_VRMS, Sine, Source, refuse_too_high
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

LOADS_OHM = {"50": 50.0, "HIGH": math.inf}
LEAST_HZ, MOST_HZ, STEP_HZ = 0.01, 2e5, 1e-3
LEAST_EMF_VPP, MOST_EMF_VPP, STEP_VPP = 0.001, 20.0, 1e-4
MOST_PEAK_V = 10.0


class GeneratorB(Front):
    """Replies end with a carriage return and a line feed."""

    message_s = 0.004
    terminator = b"\r\n"

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("generator-b", f"SALTMARSH,WG-12,{serial},2.03")
        self._signal = Source(world, _at_reset())
        self._trigger, self._rate_hz = "INT", 10.0
        self._add_signal()
        self._add_bursts()

    def reset(self, now_ns: int) -> None:
        self._trigger, self._rate_hz = "INT", 10.0
        self._signal.reset(now_ns, _at_reset())

    def wait(self, now_ns: int) -> Wait | None:
        ends_ns = self._signal.burst_ends_ns(now_ns)
        return None if ends_ns is None else Wait(ends_ns)

    @property
    def _sine(self) -> Sine:
        return self._signal.sine

    def _add_signal(self) -> None:
        add = self.tree.add
        add("FUNCtion:SHAPe", Command(lambda c: arg.word(c.args[0], {"SINusoid": None}), lambda _: "SIN"))
        add("FREQuency", Command(self._set_frequency, lambda _: f"{self._sine.frequency_hz:.3f}"))
        add("VOLTage", Command(self._set_level, lambda _: f"{self._shown_vpp:.4f}"))
        add("VOLTage:OFFSet", Command(self._set_offset, lambda _: f"{self._shown_offset_v + 0.0:.4f}"))
        add("OUTPut:LOAD", Command(self._set_load, lambda _: "HIGH" if math.isinf(self._sine.load_ohm) else "50"))
        add("OUTPut[:STATe]", Command(self._set_output, lambda _: arg.flag(self._sine.output)))
        add("APPLy:SINusoid", Command(self._apply_all, takes=3))

    def _add_bursts(self) -> None:
        add = self.tree.add
        add("BM:STATe", Command(self._set_bursts, lambda _: arg.flag(self._sine.bursts)))
        add("BM:NCYCles", Command(self._set_cycles, lambda _: str(self._sine.cycles)))
        add("BM:PHASe", Command(self._set_phase, lambda _: f"{self._sine.phase_deg:.1f}"))
        add("BM:INTernal:RATE", Command(self._set_rate, lambda _: f"{self._repeated_hz:.3f}"))
        add("BM:SOURce", Command(self._set_trigger, lambda _: self._trigger))
        add("*TRG", Command(self._fire, takes=0))

    # Signal

    @property
    def _shown_vpp(self) -> float:
        return self._sine.emf_vrms * VPP_PER_VRMS * self._sine.shown_part

    @property
    def _shown_offset_v(self) -> float:
        return self._sine.emf_offset_v * self._sine.shown_part

    def _frequency_of(self, text: str) -> float:
        return round(arg.number(text, LEAST_HZ, MOST_HZ) / STEP_HZ) * STEP_HZ

    def _emf_vrms_of(self, text: str, offset_v: float) -> float:
        part = self._sine.shown_part
        vpp = round(arg.number(text, LEAST_EMF_VPP * part, MOST_EMF_VPP * part) / STEP_VPP) * STEP_VPP
        emf_vrms = vpp / part / VPP_PER_VRMS
        refuse_too_high(emf_vrms, offset_v)
        return emf_vrms

    def _offset_of(self, text: str) -> float:
        part = self._sine.shown_part
        return arg.number(text, -MOST_PEAK_V * part, MOST_PEAK_V * part) / part

    def _set_frequency(self, call: Call) -> None:
        self._sine.frequency_hz = self._frequency_of(call.args[0])
        self._signal.apply(call.now_ns)

    def _set_level(self, call: Call) -> None:
        self._sine.emf_vrms = self._emf_vrms_of(call.args[0], self._sine.emf_offset_v)
        self._signal.apply(call.now_ns)

    def _set_offset(self, call: Call) -> None:
        offset_v = self._offset_of(call.args[0])
        refuse_too_high(self._sine.emf_vrms, offset_v)
        self._sine.emf_offset_v = offset_v
        self._signal.apply(call.now_ns)

    def _set_load(self, call: Call) -> None:
        """Two words, though one of them looks like a number."""
        if call.args[0].upper() not in LOADS_OHM:
            raise Refused(-224)
        self._sine.load_ohm = LOADS_OHM[call.args[0].upper()]

    def _set_output(self, call: Call) -> None:
        self._sine.output = arg.switch(call.args[0])
        self._signal.apply(call.now_ns)

    def _apply_all(self, call: Call) -> None:
        """All three or none; then a tone, at once."""
        frequency_hz, offset_v = self._frequency_of(call.args[0]), self._offset_of(call.args[2])
        emf_vrms = self._emf_vrms_of(call.args[1], offset_v)
        sine = self._sine
        sine.frequency_hz, sine.emf_vrms, sine.emf_offset_v = frequency_hz, emf_vrms, offset_v
        sine.bursts, sine.output = False, True
        self._signal.apply(call.now_ns)

    # Bursts

    @property
    def _repeated_hz(self) -> float:
        """The rate set, or the highest at which a burst is over before the next."""
        assert self._sine.cycles is not None
        return min(self._rate_hz, self._sine.frequency_hz / (self._sine.cycles + 1))

    def _set_bursts(self, call: Call) -> None:
        self._sine.bursts = arg.switch(call.args[0])
        self._signal.apply(call.now_ns)

    def _set_cycles(self, call: Call) -> None:
        self._sine.cycles = arg.whole(call.args[0], 1, 50_000)

    def _set_phase(self, call: Call) -> None:
        self._sine.phase_deg = arg.number(call.args[0], -180.0, 180.0)
        self._signal.apply(call.now_ns)

    def _set_rate(self, call: Call) -> None:
        self._rate_hz = arg.number(call.args[0], 0.01, 5e4)

    def _set_trigger(self, call: Call) -> None:
        self._trigger = arg.word(call.args[0], {"INTernal": "INT", "EXTernal": "EXT", "BUS": "BUS"})
        self._sine.by_itself = self._trigger == "INT"
        self._signal.apply(call.now_ns)

    def _fire(self, call: Call) -> None:
        if self._trigger != "BUS":
            raise Refused(-211)
        self._signal.fire(call.now_ns)


def _at_reset() -> Sine:
    """0.1 Vpp across 50 ohm."""
    return Sine(emf_vrms=0.2 / VPP_PER_VRMS)
