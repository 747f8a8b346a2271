"""Front of the supply with three outputs: select one, then speak to it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.supply_common import Risen, Trip, TripLatch, measured
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import SupplyMeans, World

WINDOW_S = 0.100
BITS: dict[Risen, int] = {"limited": 4, "regulated": 8, "over-voltage": 32, "over-current": 64, "too hot": 128}
WORDS: dict[Trip, str] = {"over-voltage": "OV", "over-current": "OC", "too hot": "OT"}
OUTPUTS = (1, 2, 3)
FEEDING, AT_RESET = 1, 3


@dataclass(frozen=True)
class _Output:
    """As set. most_*: what it can be set to."""

    most_v: float
    most_a: float
    most_trip_v: float
    trip_v: float
    volts: float = 0.0
    limit_a: float = 1.0
    on: bool = False


_LARGE, _SMALL = _Output(50.0, 90.0, 55.0, 55.0), _Output(6.0, 5.0, 7.0, 7.0)


@dataclass
class _All:
    """All outputs as after `*RST`, and the one that is spoken to."""

    selected: int = AT_RESET
    of: dict[int, _Output] = field(default_factory=lambda: {n: _LARGE if n == FEEDING else _SMALL for n in OUTPUTS})


class SupplyC(Front):
    """Output 1 feeds the bench; the small ones are connected to nothing and never trip."""

    message_s = 0.006

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("supply-c", f"SALTMARSH,TP-3,{serial},1.19")
        self._world, self._key = world, f"supply-c {serial}"
        self._latch = TripLatch(world)
        self._small_rose: set[int] = set()
        self._all = _All()
        self._add_settings()
        self._add_readings()

    def reset(self, now_ns: int) -> None:
        self._latch.bring_up(now_ns, self._all.of[FEEDING].on)
        self._all = _All()
        self._apply(now_ns)

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._latch = TripLatch(self._world, now_ns)
        self._small_rose.clear()

    def clear(self) -> None:
        self._latch.forget()
        self._small_rose.clear()

    def trip(self, now_ns: int, why: Trip) -> None:
        """As output 1's own protection would: off, until cleared by hand."""
        self._latch.trip(why)
        self._switch(now_ns, FEEDING, False)

    def _add_settings(self) -> None:
        add = self.tree.add
        add("INSTrument:NSELect", Command(self._select, lambda _: str(self._all.selected)))
        add("VOLTage", Command(self._set_volts, lambda _: f"{self._one.volts:.3f}"))
        add("CURRent", Command(self._set_limit, lambda _: f"{self._one.limit_a:.2f}"))
        add("VOLTage:PROTection", Command(self._set_trip, lambda _: f"{self._one.trip_v:.2f}"))
        add("OUTPut", Command(self._set_output, lambda _: "ON" if self._one.on else "OFF"))
        add("OUTPut:TRIP", Command(query=lambda _: self._tripped()))
        add("OUTPut:TRIP:CLEar", Command(self._clear_trip, takes=0))

    def _add_readings(self) -> None:
        add = self.tree.add

        def measuring(shown: Callable[[SupplyMeans], str]) -> Command:
            return Command(query=lambda call: shown(self._means(call)), lasts_s=lambda _: WINDOW_S)

        add("MEASure:VOLTage", measuring(lambda means: f"{means.volts:.4f} V"))
        add("MEASure:CURRent", measuring(lambda means: f"{means.amps:.4f} A"))
        add(
            "STATus:OUTPut<n>:CONDition",
            Command(query=lambda c: _number(self._standing(c.suffix, c.now_ns)), suffixes=OUTPUTS),
        )
        add("STATus:OUTPut<n>[:EVENt]", Command(query=lambda c: _number(self._take_risen(c)), suffixes=OUTPUTS))

    # Settings

    @property
    def _one(self) -> _Output:
        return self._all.of[self._all.selected]

    def _change(self, now_ns: int, **changes: object) -> None:
        self._all.of[self._all.selected] = replace(self._one, **changes)  # type: ignore[arg-type]
        self._apply(now_ns)

    def _select(self, call: Call) -> None:
        self._all.selected = arg.whole(call.args[0], OUTPUTS[0], OUTPUTS[-1])

    def _set_volts(self, call: Call) -> None:
        volts = round(arg.number(call.args[0], 0.0, self._one.most_v), 3)
        if volts > self._one.trip_v:
            raise Refused(-221)
        self._change(call.now_ns, volts=volts)

    def _set_limit(self, call: Call) -> None:
        self._change(call.now_ns, limit_a=round(arg.number(call.args[0], 0.0, self._one.most_a), 2))

    def _set_trip(self, call: Call) -> None:
        trip_v = round(arg.number(call.args[0], 1.0, self._one.most_trip_v), 2)
        if trip_v < self._one.volts:
            raise Refused(-221)
        self._change(call.now_ns, trip_v=trip_v)

    def _set_output(self, call: Call) -> None:
        on = arg.switch(call.args[0])
        if on and self._all.selected == FEEDING and self._latch.tripped:
            raise Refused(-221)
        self._switch(call.now_ns, self._all.selected, on)

    def _switch(self, now_ns: int, number: int, on: bool) -> None:
        output = self._all.of[number]
        if number == FEEDING:
            self._latch.bring_up(now_ns, output.on)
        if on and not output.on:
            if number == FEEDING:
                self._latch.rise("regulated")
            else:
                self._small_rose.add(number)
        self._all.of[number] = replace(output, on=on)
        self._apply(now_ns)

    def _clear_trip(self, _call: Call) -> None:
        if self._one.on:
            raise Refused(-221)
        if self._all.selected == FEEDING:
            self._latch.tripped.clear()

    def _apply(self, now_ns: int) -> None:
        feeding = self._all.of[FEEDING]
        self._world.set_supply(now_ns, feeding.volts, feeding.limit_a, feeding.on)

    # Readings

    def _means(self, call: Call) -> SupplyMeans:
        if self._all.selected != FEEDING:
            return SupplyMeans(self._one.volts if self._one.on else 0.0, 0.0)
        end_ns = call.window_end_ns
        return measured(self._world, self._key, end_ns - round(WINDOW_S * 1e9), end_ns)

    def _tripped(self) -> str:
        standing = self._latch.tripped if self._all.selected == FEEDING else set()
        return next((word for why, word in WORDS.items() if why in standing), "NONE")

    def _standing(self, number: int, now_ns: int) -> set[Risen]:
        on = self._all.of[number].on
        if number != FEEDING:
            return {"regulated"} if on else set()
        found: set[Risen] = set(self._latch.tripped)
        if on:
            found.add("limited" if self._world.supply_limited(now_ns) else "regulated")
        return found

    def _take_risen(self, call: Call) -> set[Risen]:
        if call.suffix == FEEDING:
            return self._latch.take(call.now_ns, self._all.of[FEEDING].on)
        rose = call.suffix in self._small_rose
        self._small_rose.discard(call.suffix)
        return {"regulated"} if rose else set()


def _number(what: set[Risen]) -> str:
    return str(sum(bit for name, bit in BITS.items() if name in what))
