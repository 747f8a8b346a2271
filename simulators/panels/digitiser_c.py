"""Front of the digitiser with headers on its replies, fixed codes a division, and a register of what has happened."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.acquisition import Capture, Memory, Shape, block_of_digits, rates_of_order
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused, Reply
from simulators.world.digitise import Digitiser, InputSetting, one_two_five, range_at_least
from simulators.world.world import World

RANGES = one_two_five(2e-3, 10.0)
RATES_HZ = (1.25e5, 2.5e5, 5e5, 1e6, 2e6)
CODES, DIVISIONS = 6400, 65536 / 6400
OFFSET_DIVISIONS = 5.0
ATTENUATIONS = one_two_five(1.0, 1000.0)
MOST_DELAY_US = 50_000_000
COMPLETE, READY = 1, 8192
UNSEEN_NS = 2_000_000_000  # captures that came by themselves longer ago than this nobody has seen
INPUTS = (1, 2, 3, 4)
COUPLINGS = ("D1M", "A1M", "D50")
MODES = ("AUTO", "NORM", "SINGLE", "STOP")


@dataclass(frozen=True)
class _Channel:
    """As set. Range and offset at the connector; attenuation as told."""

    on: bool = False
    attenuation: float = 1.0
    range_v: float = 1.0
    offset_v: float = 0.0
    coupling: str = "D1M"

    def setting(self, number: int) -> InputSetting:
        """The offset is added to the signal: its opposite stands in the middle."""
        coupling = "AC" if self.coupling == "A1M" else "DC"
        fifty = self.coupling == "D50"
        return InputSetting(number, self.range_v, DIVISIONS, -self.offset_v, coupling, fifty)  # type: ignore[arg-type]


class DigitiserC(Front):
    """One command a message; captures by itself from power-on."""

    message_s = 0.0008

    def __init__(self, world: World, serial: str, wiring: dict[int, str], rates_hz: tuple[float, ...] = ()) -> None:
        super().__init__("digitiser-c", f"PILOT CUTTER,D-10,{serial},3.30")
        self._rates_hz = rates_of_order(rates_hz, RATES_HZ)
        self._world = world
        self._memory = Memory(Digitiser(world, f"digitiser-c {serial}", wiring))
        self._defaults()
        self._add_inputs()
        self._add_timing()
        self._add_capture()

    def _defaults(self) -> None:
        self._channels = {n: _Channel(on=n == 1) for n in INPUTS}
        self._header = True
        self._rate_hz, self._points, self._before_points, self._delay_us = 1e6, 20_000, 0, 0
        self._mode = "AUTO"
        self._armed: Capture | None = None
        self._told_ready = False
        self._happened = 0
        self._memory.clear()

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._before(now_ns)

    def execute(self, message: str, now_ns: int) -> bytes | Wait | None:
        """A `;` parts nothing here."""
        if ";" in message:
            self._before(now_ns)
            self._queue(-113)
            return None
        return super().execute(message, now_ns)

    # Commands

    def _add_common(self) -> None:
        super()._add_common()
        self.tree.remove("SYSTem:ERRor[:NEXT]")
        self.tree.add("ERR", Command(query=lambda _: self._told("ERR", self._next_error().split(",")[0])))

    def _told(self, header: str, value: str, unit: str = "") -> str:
        if not self._header:
            return value
        return f"{header} {value} {unit}" if unit else f"{header} {value}"

    def _add(self, name: str, setter: Callable[[Call], None], shown: Callable[[], str], unit: str = "") -> None:
        self.tree.add(name, Command(setter, lambda _: self._told(name, shown(), unit)))

    def _add_inputs(self) -> None:
        def add(name: str, setter: Callable[[Call], None], shown: Callable[[_Channel], str], unit: str = "") -> None:
            def query(call: Call) -> str:
                return self._told(f"I{call.suffix}:{name}", shown(self._channels[call.suffix]), unit)

            self.tree.add(f"I<n>:{name}", Command(setter, query, suffixes=INPUTS))

        add("SHOW", self._set_on, lambda c: "ON" if c.on else "OFF")
        add("ATTN", self._set_attenuation, lambda c: f"{c.attenuation:g}")
        add("VDIV", self._set_scale, lambda c: arg.plain(c.range_v * c.attenuation, 2), "V")
        add("OFST", self._set_offset, lambda c: arg.plain(c.offset_v * c.attenuation, 5), "V")
        add("CPL", self._set_coupling, lambda c: c.coupling)

    def _add_timing(self) -> None:
        self._add("HEADER", self._set_header, lambda: "ON" if self._header else "OFF")
        self._add("RATE", self._set_rate, lambda: arg.plain(self._rate_hz, 3), "HZ")
        self._add("POINTS", self._set_points, lambda: str(self._points))
        self._add("BEFORE", self._set_before, lambda: str(self._before_points))
        self._add("LATE", self._set_delay, lambda: str(self._delay_us), "US")
        self._add("TRIG", lambda call: arg.word(call.args[0], {"EXT": None}), lambda: "EXT")
        self._add("MODE", self._set_mode, lambda: self._mode)

    def _add_capture(self) -> None:
        self.tree.add("INR", Command(query=lambda _: self._told("INR", self._take_happened())))
        data = Command(query=self._waveform, query_takes=1, suffixes=INPUTS, lasts_s=self._block_lasts_s)
        self.tree.add("I<n>:WF", data)

    # Inputs

    def _change(self, call: Call, **changes: object) -> None:
        self._channels[call.suffix] = replace(self._channels[call.suffix], **changes)  # type: ignore[arg-type]

    def _set_on(self, call: Call) -> None:
        self._change(call, on=arg.switch(call.args[0]))

    def _set_attenuation(self, call: Call) -> None:
        ratio = arg.number(call.args[0], 1.0, 1000.0)
        if ratio not in ATTENUATIONS:
            raise Refused(-222)
        self._change(call, attenuation=ratio)

    def _set_scale(self, call: Call) -> None:
        wanted = arg.number(call.args[0], 1e-12, math.inf) / self._channels[call.suffix].attenuation
        range_v = range_at_least(wanted, RANGES)
        if range_v is None:
            raise Refused(-222)
        most_v = OFFSET_DIVISIONS * range_v
        offset_v = max(-most_v, min(self._channels[call.suffix].offset_v, most_v))
        self._change(call, range_v=range_v, offset_v=offset_v)

    def _set_offset(self, call: Call) -> None:
        channel = self._channels[call.suffix]
        most_v = OFFSET_DIVISIONS * channel.range_v * channel.attenuation
        self._change(call, offset_v=arg.number(call.args[0], -most_v, most_v) / channel.attenuation)

    def _set_coupling(self, call: Call) -> None:
        self._change(call, coupling=arg.word(call.args[0], {word: word for word in COUPLINGS}))

    # Timing

    def _set_header(self, call: Call) -> None:
        self._header = arg.switch(call.args[0])

    def _set_rate(self, call: Call) -> None:
        self._rate_hz = range_at_least(arg.number(call.args[0], 1e-3, math.inf), self._rates_hz) or self._rates_hz[-1]

    def _set_points(self, call: Call) -> None:
        self._points = arg.whole(call.args[0], 50, 100_000)
        self._before_points = min(self._before_points, self._points)

    def _set_before(self, call: Call) -> None:
        self._before_points = arg.whole(call.args[0], 0, self._points)

    def _set_delay(self, call: Call) -> None:
        self._delay_us = arg.whole(call.args[0], 0, MOST_DELAY_US)

    # Capture

    def _set_mode(self, call: Call) -> None:
        self._mode = arg.word(call.args[0], {word: word for word in MODES})
        self._armed = None if self._mode == "STOP" else self._armed_at(call.now_ns)
        self._told_ready = False

    def _armed_at(self, now_ns: int) -> Capture:
        used = [(n, c) for n, c in self._channels.items() if c.on]
        delay = round(self._delay_us * 1e-6 * self._rate_hz)
        return Capture(
            starts_ns=now_ns,
            shape=Shape(self._rate_hz, self._points, before=self._before_points, delay=delay),
            auto=self._mode == "AUTO",
            inputs=tuple(c.setting(n) for n, c in used),
            probes=tuple(c.attenuation for _, c in used),
        )

    def _before(self, now_ns: int) -> None:
        """What has happened by now; from power-on it captures by itself."""
        if self._armed is None and self._mode != "STOP":
            self._armed = self._armed_at(now_ns)
        while self._armed is not None:
            phase = self._armed.phase(self._world, now_ns)
            if phase != "filling" and not self._told_ready:
                self._happened |= READY
                self._told_ready = True
            if phase != "complete":
                return
            self._complete(self._armed, now_ns)

    def _complete(self, capture: Capture, now_ns: int) -> None:
        trigger_ns = capture.trigger_ns(self._world, now_ns)
        assert trigger_ns is not None
        self._memory.keep(capture, trigger_ns)
        self._happened |= COMPLETE
        self._told_ready = False
        if self._mode == "SINGLE":
            self._mode = "STOP"
        if self._mode == "STOP":
            self._armed = None
            return
        again_ns = max(capture.complete_ns(trigger_ns), now_ns - UNSEEN_NS)
        self._armed = self._armed_at(again_ns)

    def _take_happened(self) -> str:
        happened, self._happened = self._happened, 0
        return str(happened)

    # Data

    def _waveform(self, call: Call) -> Reply:
        if arg.word(call.args[0], {"HEAD": True, "DAT": False}):
            return self._head(call.suffix)
        data = self._memory.words(call.suffix).astype(np.dtype("<i2")).tobytes()
        return self._told(f"I{call.suffix}:WF", "DAT,").encode() + block_of_digits(data, 9)

    def _head(self, number: int) -> str:
        taken, setting, attenuation = self._memory.chosen(number)
        fields = (
            ("POINTS", str(taken.shape.points), ""),
            ("INTERVAL", arg.plain(1.0 / taken.shape.sample_hz, 9), "S"),
            ("START", arg.plain(taken.shape.first_s, 9), "S"),
            ("VDIV", arg.plain(setting.volts_per_division * attenuation, 2), "V"),
            ("OFST", arg.plain(-setting.offset_v * attenuation, 5), "V"),
            ("CODES", str(CODES), ""),
        )
        line = ",".join(f"{key},{value}{unit if self._header else ''}" for key, value, unit in fields)
        return f"I{number}:WF HEAD,{line}" if self._header else line

    def _block_lasts_s(self, args: tuple[str, ...]) -> float:
        return 0.0008 + 1e-7 * 2 * (self._memory.points if args and args[0].upper() == "DAT" else 0)
