"""Front of the generator that takes lists of keys and values, and keeps its last fault alone."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.generator_common import MOST_PEAK_V, VPEAK_PER_VRMS, Sine, Source
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

LOADS_OHM = {"50": 50.0, "HIGH": math.inf}
LEAST_HZ, MOST_HZ, STEP_HZ = 0.01, 5e5, 1e-3
LEAST_PEAK_V, STEP_V = 5e-4, 1e-4
STARTS = ("SELF", "HAND", "EDGE")

COMMAND, KEY, RANGE, STATE = (11, "COMMAND"), (12, "KEY"), (13, "RANGE"), (14, "STATE")
FAULTS = {-113: COMMAND, -114: COMMAND, -222: RANGE, -221: STATE, -211: STATE}  # all others: KEY

Setter = Callable[[str], None]


class GeneratorC(Front):
    """One command a message. The number of the level is kept when the load setting changes; the e.m.f. is not."""

    message_s = 0.005

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("generator-c", f"HARBOUR INSTRUMENTS,KV-5,{serial},5.1")
        self._signal = Source(world, Sine())
        self._fault: tuple[int, str] | None = None
        self._defaults()
        self.tree.add("A:WAVE", Command(self._set_wave, lambda _: self._wave(), takes=None))
        self.tree.add("A:BURST", Command(self._set_burst, lambda _: self._burst(), takes=None))
        self.tree.add("A:OUT", Command(self._set_out, lambda _: self._out(), takes=None))
        self.tree.add("A:FIRE", Command(self._fire, takes=0))
        self.tree.add("FAULT", Command(query=lambda _: self._take_fault()))

    def _add_common(self) -> None:
        self.tree.add("*IDN", Command(query=lambda _: self._identity))
        self.tree.add("*RST", Command(set=lambda call: self.reset(call.now_ns), takes=0))
        self.tree.add("*OPC", Command(query=lambda _: "1"))

    def _defaults(self) -> None:
        self._peak_v, self._shift_v = 0.1, 0.0
        self._start = "SELF"
        self._signal.sine = Sine()
        self._take_level()

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._signal.reset(now_ns, self._sine)

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._fault = None

    def execute(self, message: str, now_ns: int) -> bytes | Wait | None:
        """A `;` parts nothing here."""
        if ";" in message:
            self._queue(-113)
            return None
        return super().execute(message, now_ns)

    @property
    def _sine(self) -> Sine:
        return self._signal.sine

    # Faults

    def _queue(self, error: int) -> None:
        self._fault = FAULTS.get(error, KEY)

    def _take_fault(self) -> str:
        number, word = self._fault or (0, "NONE")
        self._fault = None
        return f"FAULT {number},{word}"

    # Lists

    def _carry_over(self, args: Sequence[str], known: Mapping[str, Setter], now_ns: int) -> None:
        """From left to right up to the first that is refused; what was taken goes out."""
        before = replace(self._sine)
        try:
            if not args or len(args) % 2:
                raise Refused(-109)
            for key, value in zip(args[::2], args[1::2], strict=True):
                if key.upper() not in known:
                    raise Refused(-224)
                known[key.upper()](value)
        finally:
            if self._sine != before:  # a tone without end would begin anew
                self._signal.apply(now_ns)

    def _set_wave(self, call: Call) -> None:
        known = {
            "SHAPE": _check_shape,
            "FREQ": self._set_frequency,
            "PEAK": self._set_peak,
            "SHIFT": self._set_shift,
        }
        self._carry_over(call.args, known, call.now_ns)

    def _set_burst(self, call: Call) -> None:
        known = {
            "STATE": self._set_state,
            "COUNT": self._set_count,
            "PHASE": self._set_phase,
            "START": self._set_start,
        }
        self._carry_over(call.args, known, call.now_ns)

    def _set_out(self, call: Call) -> None:
        """ON and OFF stand without a key."""
        args = list(call.args)
        if args and args[0].upper() in ("ON", "OFF"):
            self._sine.output = args.pop(0).upper() == "ON"
            self._signal.apply(call.now_ns)
            if not args:
                return
        self._carry_over(args, {"LOAD": self._set_load}, call.now_ns)

    # Wave

    @property
    def _most_v(self) -> float:
        return MOST_PEAK_V * self._sine.shown_part

    def _set_frequency(self, text: str) -> None:
        self._sine.frequency_hz = round(arg.number(text, LEAST_HZ, MOST_HZ) / STEP_HZ) * STEP_HZ

    def _set_peak(self, text: str) -> None:
        peak_v = round(arg.number(text, LEAST_PEAK_V, self._most_v) / STEP_V) * STEP_V
        self._refuse_too_high(peak_v, self._shift_v)
        self._peak_v = peak_v
        self._take_level()

    def _set_shift(self, text: str) -> None:
        shift_v = arg.number(text, -self._most_v, self._most_v)
        self._refuse_too_high(self._peak_v, shift_v)
        self._shift_v = shift_v
        self._take_level()

    def _refuse_too_high(self, peak_v: float, shift_v: float) -> None:
        if peak_v + abs(shift_v) > self._most_v * 1.000001:
            raise Refused(-222)

    def _set_load(self, text: str) -> None:
        self._sine.load_ohm = LOADS_OHM[_one_of(text, tuple(LOADS_OHM))]
        self._peak_v = min(self._peak_v, self._most_v)
        most_shift_v = self._most_v - self._peak_v
        self._shift_v = max(-most_shift_v, min(self._shift_v, most_shift_v))
        self._take_level()

    def _take_level(self) -> None:
        part = self._sine.shown_part
        self._sine.emf_vrms, self._sine.emf_offset_v = self._peak_v / VPEAK_PER_VRMS / part, self._shift_v / part

    # Bursts

    def _set_state(self, text: str) -> None:
        on = _one_of(text, ("ON", "OFF")) == "ON"
        if on and not self._sine.bursts:
            self._sine.cycles, self._sine.phase_deg, self._start = 1, 0.0, "SELF"
            self._sine.by_itself = True
        self._sine.bursts = on

    def _refuse_off(self) -> None:
        if not self._sine.bursts:
            raise Refused(-221)

    def _set_count(self, text: str) -> None:
        self._refuse_off()
        self._sine.cycles = arg.whole(text, 1, 50_000)

    def _set_phase(self, text: str) -> None:
        self._refuse_off()
        self._sine.phase_deg = arg.number(text, 0.0, 360.0)

    def _set_start(self, text: str) -> None:
        self._refuse_off()
        self._start = _one_of(text, STARTS)
        self._sine.by_itself = self._start == "SELF"

    def _fire(self, call: Call) -> None:
        if self._start != "HAND":
            raise Refused(-211)
        self._signal.fire(call.now_ns)

    # Replies

    def _wave(self) -> str:
        level = f"PEAK,{self._peak_v:.4f}V,SHIFT,{self._shift_v + 0.0:.4f}V"
        return f"A:WAVE SHAPE,SINE,FREQ,{self._sine.frequency_hz:.3f}HZ,{level}"

    def _burst(self) -> str:
        sine = self._sine
        if not sine.bursts:
            return "A:BURST STATE,OFF"
        return f"A:BURST STATE,ON,COUNT,{sine.cycles},PHASE,{sine.phase_deg:.1f}DEG,START,{self._start}"

    def _out(self) -> str:
        load = "HIGH" if math.isinf(self._sine.load_ohm) else "50OHM"
        return f"A:OUT {'ON' if self._sine.output else 'OFF'},LOAD,{load}"


def _check_shape(text: str) -> None:
    _one_of(text, ("SINE",))


def _one_of(text: str, words: tuple[str, ...]) -> str:
    if text.upper() not in words:
        raise Refused(-224)
    return text.upper()
