"""Front of the supply whose healthy state is bit 1: constant voltage."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.supply_common import Trip, TripLatch, measured
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

WINDOW_NS = 20_000_000
LIMITED, REGULATED, HOT, OVER_VOLTAGE, OVER_CURRENT = 1, 2, 16, 512, 1024
TRIP_BITS = {"over-voltage": OVER_VOLTAGE, "over-current": OVER_CURRENT, "too hot": HOT}


class SupplyA(Front):
    """60 V, 80 A."""

    message_s = 0.002

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("supply-a", f"BILGE & KEEL,PS-6080,{serial},3.2")
        self._world, self._key = world, f"supply-a {serial}"
        self._latch = TripLatch(world)
        self._defaults()
        self._add_settings()
        self._add_readings()

    def _defaults(self) -> None:
        self._volts, self._limit_a, self._trip_v, self._on = 0.0, 1.0, 66.0, False

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._apply(now_ns)

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._latch = TripLatch(self._world, now_ns)

    def clear(self) -> None:
        self._latch.forget()

    def trip(self, now_ns: int, why: Trip) -> None:
        """As its own protection would: output off, until cleared by hand."""
        self._latch.trip(why)
        self._switch(now_ns, False)

    def _add_settings(self) -> None:
        add = self.tree.add
        add("VOLTage", Command(self._set_volts, lambda _: arg.plain(self._volts, 5)))
        add("CURRent", Command(self._set_limit, lambda _: arg.plain(self._limit_a, 5)))
        add("VOLTage:PROTection", Command(self._set_trip, lambda _: arg.plain(self._trip_v, 5)))
        add("OUTPut", Command(self._set_output, lambda _: arg.flag(self._on)))
        add("OUTPut:PROTection:CLEar", Command(self._clear_trip, takes=0))

    def _add_readings(self) -> None:
        def add(pattern: str, *which: int) -> None:
            def query(call: Call) -> str:
                found = self._read(call)
                return ",".join(found[i] for i in which)

            self.tree.add(pattern, Command(query=query, lasts_s=lambda _: WINDOW_NS * 1e-9))

        add("MEASure:VOLTage", 0)
        add("MEASure:CURRent", 1)
        add("MEASure:ALL", 0, 1)
        self.tree.add("STATus:QUEStionable:CONDition", Command(query=lambda c: str(self._condition(c.now_ns))))
        self.tree.add("STATus:QUEStionable[:EVENt]", Command(query=self._take_risen))

    # Settings

    def _set_volts(self, call: Call) -> None:
        volts = arg.number(call.args[0], 0.0, 60.0)
        if volts > self._trip_v:
            raise Refused(-221)
        self._volts = volts
        self._apply(call.now_ns)

    def _set_limit(self, call: Call) -> None:
        self._limit_a = arg.number(call.args[0], 0.0, 80.0)
        self._apply(call.now_ns)

    def _set_trip(self, call: Call) -> None:
        trip_v = arg.number(call.args[0], 0.0, 66.0)
        if trip_v < self._volts:
            raise Refused(-221)
        self._trip_v = trip_v

    def _set_output(self, call: Call) -> None:
        on = arg.switch(call.args[0])
        if on and self._latch.tripped:
            raise Refused(-221)
        self._switch(call.now_ns, on)

    def _switch(self, now_ns: int, on: bool) -> None:
        self._latch.bring_up(now_ns, self._on)
        if on and not self._on:
            self._latch.rise("regulated")
        self._on = on
        self._apply(now_ns)

    def _clear_trip(self, _call: Call) -> None:
        if self._on:
            raise Refused(-221)
        self._latch.tripped.clear()

    def _apply(self, now_ns: int) -> None:
        self._world.set_supply(now_ns, self._volts, self._limit_a, self._on)

    # Readings

    def _read(self, call: Call) -> tuple[str, str]:
        end_ns = call.window_end_ns
        means = measured(self._world, self._key, end_ns - WINDOW_NS, end_ns)
        return arg.signed(means.volts, 5), arg.signed(means.amps, 5)

    def _condition(self, now_ns: int) -> int:
        bits = sum(TRIP_BITS[why] for why in self._latch.tripped)
        if self._on:
            bits |= LIMITED if self._world.supply_limited(now_ns) else REGULATED
        return bits

    def _take_risen(self, call: Call) -> str:
        risen = self._latch.take(call.now_ns, self._on)
        bits = sum(bit for why, bit in TRIP_BITS.items() if why in risen)
        bits |= LIMITED if "limited" in risen else 0
        return str(bits | (REGULATED if "regulated" in risen else 0))
