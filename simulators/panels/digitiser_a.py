"""Front of the digitiser with unsigned codes and a state word."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from simulators.panels import arguments as arg
from simulators.panels.acquisition import Capture, Memory, Shape, block, rates_of_order
from simulators.panels.front import Front
from simulators.panels.tree import Call, Command, Refused
from simulators.world.digitise import Digitiser, InputSetting, one_two_five, range_at_least
from simulators.world.world import World

RANGES = one_two_five(5e-3, 10.0)
RATES_HZ = (1e5, 2e5, 5e5, 1e6, 2e6)
MANY_INPUTS_HZ = 1e6
DIVISIONS = 8
MOST_DELAY_S, DELAYS_PER_S = 50.0, 1e5  # set in 10 us
STILL_STOPPED_NS = 2_000_000
INPUTS = (1, 2, 3, 4)


@dataclass(frozen=True)
class _Channel:
    """As set. Range and offset at the connector; probe: attenuation as told."""

    on: bool = False
    probe: float = 1.0
    range_v: float = 1.0
    offset_v: float = 0.0
    coupling: Literal["DC", "AC"] = "DC"
    fifty: bool = False


class DigitiserA(Front):
    """Eight divisions; `*OPC?` never waits, the state word must be asked."""

    message_s = 0.001

    def __init__(self, world: World, serial: str, wiring: dict[int, str], rates_hz: tuple[float, ...] = ()) -> None:
        super().__init__("digitiser-a", f"LIGHTSHIP,DS-4A,{serial},02.11")
        self._rates_hz = rates_of_order(rates_hz, RATES_HZ)
        self._world = world
        self._memory = Memory(Digitiser(world, f"digitiser-a {serial}", wiring))
        self._defaults()
        self._add_inputs()
        self._add_timing()
        self._add_capture()

    def _defaults(self) -> None:
        self._channels = {n: _Channel(on=n == 1) for n in INPUTS}
        self._rate_hz, self._points, self._before_s = 1e6, 20_000, 0.0
        self._delay_s = 0.0
        self._auto = True
        self._armed: Capture | None = None
        self._source = 1
        self._memory.clear()

    _count = 0

    def reset(self, now_ns: int) -> None:
        self._defaults()

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._count = 0

    # Commands

    def _add_inputs(self) -> None:
        def add(pattern: str, setter: Callable[[Call], None], shown: Callable[[_Channel], str]) -> None:
            query = lambda call: shown(self._channels[call.suffix])  # noqa: E731
            self.tree.add(f"CHANnel<n>:{pattern}", Command(setter, query, suffixes=INPUTS))

        add("DISPlay", self._set_display, lambda c: arg.flag(c.on))
        add("PROBe", self._set_probe, lambda c: arg.plain(c.probe, 4))
        add("SCALe", self._set_scale, lambda c: arg.plain(c.range_v * c.probe, 5))
        add("OFFSet", self._set_offset, lambda c: arg.plain(c.offset_v * c.probe, 5))
        add("COUPling", self._set_coupling, lambda c: c.coupling)
        add("IMPedance", self._set_impedance, lambda c: "FIFT" if c.fifty else "ONEM")

    def _add_timing(self) -> None:
        add = self.tree.add
        add("ACQuire:TYPE", Command(lambda c: arg.word(c.args[0], {"NORMal": None}), lambda _: "NORM"))
        add("ACQuire:SRATe", Command(self._set_rate, lambda _: arg.plain(self._rate_hz, 6)))
        add("ACQuire:POINts", Command(self._set_points, lambda _: str(self._points)))
        add("TIMebase:PRETrigger", Command(self._set_before, lambda _: arg.plain(self._before_s, 6)))
        add("TRIGger:DELay", Command(self._set_delay, lambda _: arg.plain(self._delay_s, 9)))
        add("TRIGger:SOURce", Command(lambda c: arg.word(c.args[0], {"EXTernal": None}), lambda _: "EXT"))
        add("TRIGger:SWEep", Command(self._set_auto, lambda _: "AUTO" if self._auto else "NORM"))

    def _add_capture(self) -> None:
        add = self.tree.add
        add("SINGle", Command(self._arm, takes=0))
        add("STOP", Command(self._stop, takes=0))
        add("TRIGger:STATe", Command(query=self._state))
        add("ACQuire:COUNt", Command(query=lambda _: str(self._count)))
        add("WAVeform:SOURce", Command(self._set_source, lambda _: f"CHAN{self._source}"))
        add("WAVeform:PREamble", Command(query=lambda _: self._preamble()))
        add("WAVeform:DATA", Command(query=lambda _: self._data(), lasts_s=self._block_lasts_s))

    # Inputs

    def _change(self, call: Call, **changes: object) -> None:
        self._channels[call.suffix] = replace(self._channels[call.suffix], **changes)  # type: ignore[arg-type]

    def _set_display(self, call: Call) -> None:
        self._change(call, on=arg.switch(call.args[0]))
        self._keep_rate(self._rate_hz)

    def _set_probe(self, call: Call) -> None:
        self._change(call, probe=arg.number(call.args[0], 1e-3, 1e4))

    def _set_scale(self, call: Call) -> None:
        wanted = arg.number(call.args[0], 1e-12, math.inf) / self._channels[call.suffix].probe
        range_v = range_at_least(wanted, RANGES)
        if range_v is None:
            raise Refused(-222)
        self._change(call, range_v=range_v)

    def _set_offset(self, call: Call) -> None:
        probe = self._channels[call.suffix].probe
        self._change(call, offset_v=arg.number(call.args[0], -100.0 * probe, 100.0 * probe) / probe)

    def _set_coupling(self, call: Call) -> None:
        self._change(call, coupling=arg.word(call.args[0], {"DC": "DC", "AC": "AC"}))

    def _set_impedance(self, call: Call) -> None:
        self._change(call, fifty=arg.word(call.args[0], {"ONEMeg": False, "FIFTy": True}))

    # Timing

    def _set_rate(self, call: Call) -> None:
        wanted_hz = arg.number(call.args[0], self._rates_hz[0], math.inf)
        self._keep_rate(max(rate for rate in self._rates_hz if rate <= wanted_hz * (1.0 + 1e-9)))

    def _keep_rate(self, rate_hz: float) -> None:
        """Depth goes to the inputs: with more than two on, the rate is held down, and an error says so."""
        own = self._rates_hz == RATES_HZ  # ordered with others, it has them with all inputs on
        too_fast = own and rate_hz > MANY_INPUTS_HZ and sum(c.on for c in self._channels.values()) > 2
        self._rate_hz = MANY_INPUTS_HZ if too_fast else rate_hz
        if too_fast:
            raise Refused(-221)

    def _set_points(self, call: Call) -> None:
        self._points = math.ceil(arg.number(call.args[0], 100, 100_000) / 100.0) * 100

    def _set_before(self, call: Call) -> None:
        self._before_s = arg.number(call.args[0], 0.0, self._points / self._rate_hz)

    def _set_delay(self, call: Call) -> None:
        self._delay_s = round(arg.number(call.args[0], 0.0, MOST_DELAY_S) * DELAYS_PER_S) / DELAYS_PER_S

    def _set_auto(self, call: Call) -> None:
        self._auto = arg.word(call.args[0], {"AUTO": True, "NORMal": False})

    # Capture

    def _arm(self, call: Call) -> None:
        used = [(n, c) for n, c in self._channels.items() if c.on]
        self._armed = Capture(
            starts_ns=call.now_ns + STILL_STOPPED_NS,
            shape=Shape(
                self._rate_hz,
                self._points,
                before=min(round(self._before_s * self._rate_hz), self._points),
                delay=round(self._delay_s * self._rate_hz),  # whole at any rate: 10 us is a sample at the slowest
            ),
            auto=self._auto,
            inputs=tuple(InputSetting(n, c.range_v, DIVISIONS, c.offset_v, c.coupling, c.fifty) for n, c in used),
            probes=tuple(c.probe for _, c in used),
        )

    def _stop(self, _call: Call) -> None:
        self._armed = None

    def _before(self, now_ns: int) -> None:
        """A capture that has become complete replaces the one before."""
        if self._armed is None or self._armed.phase(self._world, now_ns) != "complete":
            return
        trigger_ns = self._armed.trigger_ns(self._world, now_ns)
        assert trigger_ns is not None
        self._memory.keep(self._armed, trigger_ns)
        self._armed = None
        self._count += 1

    def _state(self, call: Call) -> str:
        if self._armed is None:
            return "STOP"
        phase = self._armed.phase(self._world, call.now_ns)
        waiting = "AUTO" if self._armed.auto else "WAIT"
        return {"filling": "STOP", "waiting": waiting, "recording": "RUN", "complete": "STOP"}[phase]

    # Data

    def _set_source(self, call: Call) -> None:
        self._source = arg.word(call.args[0], {f"CHANnel{n}": n for n in INPUTS})

    def _preamble(self) -> str:
        taken, setting, probe = self._memory.chosen(self._source)
        shape = taken.shape
        step_v = setting.volts_per_division * DIVISIONS * probe / 65536.0
        x = (arg.plain(1.0 / shape.sample_hz, 9), arg.plain(shape.first_s, 9), "0")
        y = (arg.plain(step_v, 9), arg.plain(setting.offset_v * probe, 9), "32768")
        return ",".join(("1", "0", str(shape.points), "1", *x, *y))

    def _data(self) -> bytes:
        return block((self._memory.words(self._source) + 32768).astype(np.dtype("<u2")).tobytes())

    def _block_lasts_s(self, _args: tuple[str, ...]) -> float:
        return 0.001 + 1e-7 * 2 * self._memory.points
