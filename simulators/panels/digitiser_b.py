"""Front of the digitiser with signed codes and a blocking `*OPC?`."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from simulators.panel import Wait
from simulators.panels import arguments as arg
from simulators.panels.acquisition import Capture, Memory, Shape, block, rates_of_order
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.digitise import Digitiser, InputSetting, one_two_five, range_at_least
from simulators.world.world import World

RANGES = one_two_five(2e-3, 10.0)
RATES_HZ = (1e5, 2.5e5, 5e5, 1e6, 2.5e6)
DIVISIONS = 10
MOST_DELAY_S = 50.0
LOOK_AGAIN_NS = 1_000_000  # while nothing has triggered it yet, a blocked query is looked at this often
INPUTS = (1, 2, 3, 4)


@dataclass(frozen=True)
class _Channel:
    """As set. scale_v at the tip; gain: of the probe as told; position in divisions."""

    on: bool = False
    gain: float = 1.0
    scale_v: float = 1.0
    position: float = 0.0
    coupling: Literal["DC", "AC"] = "DC"
    fifty: bool = False


class DigitiserB(Front):
    """Ten divisions."""

    message_s = 0.0005
    _blocks_for_ever = True

    def __init__(self, world: World, serial: str, wiring: dict[int, str], rates_hz: tuple[float, ...] = ()) -> None:
        super().__init__("digitiser-b", f"NORTHQUAY,Q4 SAMPLER,{serial},7.0")
        self._rates_hz = rates_of_order(rates_hz, RATES_HZ)
        self._world = world
        self._memory = Memory(Digitiser(world, f"digitiser-b {serial}", wiring))
        self._defaults()
        self._add_inputs()
        self._add_timing()
        self._add_capture()

    def _defaults(self) -> None:
        self._channels = {n: _Channel(on=n == 1) for n in INPUTS}
        self._rate_hz, self._points, self._before_percent = 1e6, 20_000, 0.0
        self._delay_samples = 0
        self._auto, self._once = True, False
        self._armed: Capture | None = None
        self._source = 1
        self._memory.clear()

    def reset(self, now_ns: int) -> None:
        self._defaults()

    def wait(self, now_ns: int) -> Wait | None:
        """Until the capture is complete. One that re-arms by itself never is."""
        if self._armed is None:
            return None
        trigger_ns = self._armed.trigger_ns(self._world, now_ns)
        if trigger_ns is None or not self._once:
            return Wait(now_ns + LOOK_AGAIN_NS)
        return Wait(self._armed.complete_ns(trigger_ns))

    # Commands

    def _add_inputs(self) -> None:
        def add(pattern: str, setter: Callable[[Call], None], shown: Callable[[_Channel], str]) -> None:
            query = lambda call: shown(self._channels[call.suffix])  # noqa: E731
            self.tree.add(pattern, Command(setter, query, suffixes=INPUTS))

        add("SELect:CH<n>", self._set_on, lambda c: arg.flag(c.on))
        add("CH<n>:PROBe:GAIN", self._set_gain, lambda c: arg.short_exponent(c.gain, 4))
        add("CH<n>:SCAle", self._set_scale, lambda c: arg.short_exponent(c.scale_v, 4))
        add("CH<n>:POSition", self._set_position, lambda c: arg.short_exponent(c.position, 4))
        add("CH<n>:COUPling", self._set_coupling, lambda c: c.coupling)
        add("CH<n>:TERmination", self._set_termination, lambda c: "FIFTY" if c.fifty else "MEG")

    def _add_timing(self) -> None:
        add = self.tree.add
        add("HORizontal:SAMPLERate", Command(self._set_rate, lambda _: arg.short_exponent(self._rate_hz, 4)))
        add("HORizontal:RECOrdlength", Command(self._set_points, lambda _: str(self._points)))
        add(
            "HORizontal:PREtrigger",
            Command(self._set_before, lambda _: arg.short_exponent(self._before_percent, 4)),
        )
        add(
            "HORizontal:BEGin",
            Command(self._set_delay, lambda _: arg.short_exponent(self._delay_samples / self._rate_hz, 9)),
        )
        add("TRIGger:SOUrce", Command(lambda c: arg.word(c.args[0], {"EXTernal": None}), lambda _: "EXT"))
        add("TRIGger:MODe", Command(self._set_auto, lambda _: "AUTO" if self._auto else "NORM"))

    def _add_capture(self) -> None:
        add = self.tree.add
        add("ACQuire:STOPAfter", Command(self._set_once, lambda _: "SEQ" if self._once else "RUNST"))
        add("ACQuire:STATE", Command(self._set_running, lambda _: arg.flag(self._armed is not None)))
        add("TRIGger:STATE", Command(query=self._state))
        add("DATa:SOUrce", Command(self._set_source, lambda _: f"CH{self._source}"))
        add("WFMOutpre", Command(query=lambda _: self._preamble()))
        add("CURVe", Command(query=lambda _: self._data(), lasts_s=self._block_lasts_s))

    # Inputs

    def _change(self, call: Call, **changes: object) -> None:
        self._channels[call.suffix] = replace(self._channels[call.suffix], **changes)  # type: ignore[arg-type]

    def _set_on(self, call: Call) -> None:
        self._change(call, on=arg.switch(call.args[0]))

    def _set_gain(self, call: Call) -> None:
        """The scale stays the number it was; if the input has no such range, nothing changes."""
        gain = arg.number(call.args[0], 1e-4, 1e3)
        at_connector = self._channels[call.suffix].scale_v * gain
        if not RANGES[0] * 0.999 <= at_connector <= RANGES[-1] * 1.001:
            raise Refused(-221)
        self._change(call, gain=gain)

    def _set_scale(self, call: Call) -> None:
        gain = self._channels[call.suffix].gain
        range_v = range_at_least(arg.number(call.args[0], 1e-12, math.inf) * gain, RANGES)
        if range_v is None:
            raise Refused(-222)
        self._change(call, scale_v=range_v / gain)

    def _set_position(self, call: Call) -> None:
        self._change(call, position=arg.number(call.args[0], -5.0, 5.0))

    def _set_coupling(self, call: Call) -> None:
        self._change(call, coupling=arg.word(call.args[0], {"DC": "DC", "AC": "AC"}))

    def _set_termination(self, call: Call) -> None:
        self._change(call, fifty=arg.word(call.args[0], {"MEG": False, "FIFTY": True}))

    # Timing

    def _set_rate(self, call: Call) -> None:
        wanted_hz = arg.number(call.args[0], 1e-3, self._rates_hz[-1])
        self._rate_hz = min(rate for rate in self._rates_hz if rate >= wanted_hz * (1.0 - 1e-9))
        self._delay_samples = min(self._delay_samples, round(MOST_DELAY_S * self._rate_hz))

    def _set_points(self, call: Call) -> None:
        self._points = arg.whole(call.args[0], 500, 100_000)

    def _set_before(self, call: Call) -> None:
        self._before_percent = arg.number(call.args[0], 0.0, 100.0)

    def _set_delay(self, call: Call) -> None:
        self._delay_samples = round(arg.number(call.args[0], 0.0, MOST_DELAY_S) * self._rate_hz)

    def _set_auto(self, call: Call) -> None:
        self._auto = arg.word(call.args[0], {"AUTO": True, "NORMal": False})

    # Capture

    def _set_once(self, call: Call) -> None:
        self._once = arg.word(call.args[0], {"SEQuence": True, "RUNSTop": False})

    def _set_running(self, call: Call) -> None:
        run = arg.word(call.args[0], {"RUN": True, "STOP": False})
        self._armed = self._armed_at(call.now_ns) if run else None

    def _armed_at(self, now_ns: int) -> Capture:
        used = [(n, c) for n, c in self._channels.items() if c.on]
        return Capture(
            starts_ns=now_ns,
            shape=Shape(
                self._rate_hz,
                self._points,
                before=round(self._before_percent / 100.0 * self._points),
                delay=self._delay_samples,
            ),
            auto=self._auto,
            inputs=tuple(_input_setting(n, c) for n, c in used),
            probes=tuple(1.0 / c.gain for _, c in used),
        )

    def _before(self, now_ns: int) -> None:
        """Captures that have become complete; without SEQ each arms the next."""
        while self._armed is not None and self._armed.phase(self._world, now_ns) == "complete":
            trigger_ns = self._armed.trigger_ns(self._world, now_ns)
            assert trigger_ns is not None
            self._memory.keep(self._armed, trigger_ns)
            self._armed = None if self._once else self._armed_at(self._armed.complete_ns(trigger_ns))

    def _state(self, call: Call) -> str:
        if self._armed is None:
            return "SAVE"
        phase = self._armed.phase(self._world, call.now_ns)
        return {"filling": "ARM", "waiting": "READY", "recording": "TRIGGER", "complete": "SAVE"}[phase]

    # Data

    def _set_source(self, call: Call) -> None:
        self._source = arg.word(call.args[0], {f"CH{n}": n for n in INPUTS})

    def _preamble(self) -> str:
        """Zero volts lie `yoff` codes above the middle; yzero stays 0."""
        taken, setting, probe = self._memory.chosen(self._source)
        shape = taken.shape
        step_v = setting.volts_per_division * DIVISIONS / 65536.0
        numbers = (1.0 / shape.sample_hz, shape.first_s, step_v * probe, -setting.offset_v / step_v, 0.0)
        shown = (arg.short_exponent(value, 9) for value in numbers)
        return ";".join(("2", "16", "RI", str(shape.points), *shown))

    def _data(self) -> bytes:
        return block(self._memory.words(self._source).astype(np.dtype(">i2")).tobytes())

    def _block_lasts_s(self, _args: tuple[str, ...]) -> float:
        return 0.0005 + 0.5e-7 * 2 * self._memory.points


def _input_setting(number: int, channel: _Channel) -> InputSetting:
    range_v = channel.scale_v * channel.gain
    middle_v = -channel.position * range_v
    return InputSetting(number, range_v, DIVISIONS, middle_v, channel.coupling, channel.fifty)
