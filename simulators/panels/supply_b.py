"""Front of the supply whose healthy questionable state is 0 and whose replies carry labels."""

from __future__ import annotations

from simulators.panels import arguments as arg
from simulators.panels.front import Front
from simulators.panels.supply_common import Risen, Trip, TripLatch, measured
from simulators.panels.tree import Call, Command, Refused
from simulators.world.world import World

WINDOW_NS = 50_000_000
QUESTIONABLE: dict[Risen, int] = {"over-voltage": 1, "over-current": 2, "too hot": 16, "limited": 1024}
OPERATION: dict[Risen, int] = {"regulated": 256, "limited": 1024}


class SupplyB(Front):
    """40 V, 100 A."""

    message_s = 0.003

    def __init__(self, world: World, serial: str) -> None:
        super().__init__("supply-b", f"GANGWAY POWER,GP40-100,{serial},B.07")
        self._world, self._key = world, f"supply-b {serial}"
        self._questionable, self._operation = TripLatch(world), TripLatch(world)
        self._defaults()
        self._add_settings()
        self._add_readings()

    def _defaults(self) -> None:
        self._volts, self._limit_a, self._trip_v, self._on = 0.0, 1.0, 44.0, False

    def reset(self, now_ns: int) -> None:
        self._defaults()
        self._apply(now_ns)

    def restart(self, now_ns: int) -> None:
        super().restart(now_ns)
        self._questionable = TripLatch(self._world, now_ns)
        self._operation = TripLatch(self._world, now_ns)

    def clear(self) -> None:
        self._questionable.forget()
        self._operation.forget()

    def trip(self, now_ns: int, why: Trip) -> None:
        """As its own protection would: output off, until cleared by hand."""
        self._questionable.trip(why)
        self._switch(now_ns, False)

    def _add_settings(self) -> None:
        add = self.tree.add
        add("SOURce:VOLTage:LEVel", Command(self._set_volts, lambda _: f"{self._volts:.3f}"))
        add("SOURce:CURRent:LEVel", Command(self._set_limit, lambda _: f"{self._limit_a:.3f}"))
        add("SOURce:VOLTage:PROTection:HIGH", Command(self._set_trip, lambda _: f"{self._trip_v:.3f}"))
        add("CONFigure:OUTPut", Command(self._set_output, lambda _: "ON" if self._on else "OFF"))
        add("SYSTem:PROTection:CLEar", Command(lambda _: self._questionable.tripped.clear(), takes=0))

    def _add_readings(self) -> None:
        add = self.tree.add
        add("FETCh:VOLTage", Command(query=lambda call: f"VOLT {self._read(call)[0]:.3f}"))
        add("FETCh:CURRent", Command(query=lambda call: f"CURR {self._read(call)[1]:.3f}"))
        for node, bits, latch in (
            ("QUEStionable", QUESTIONABLE, lambda: self._questionable),
            ("OPERation", OPERATION, lambda: self._operation),
        ):
            add(
                f"STATus:{node}:CONDition",
                Command(query=lambda call, bits=bits: _word(self._standing(call.now_ns), bits)),  # type: ignore[misc]
            )
            add(
                f"STATus:{node}[:EVENt]",
                Command(
                    query=lambda call, bits=bits, latch=latch: _word(  # type: ignore[misc]
                        latch().take(call.now_ns, self._on), bits
                    )
                ),
            )

    # Settings

    def _set_volts(self, call: Call) -> None:
        self._volts = round(arg.number(call.args[0], 0.0, 40.0), 3)
        self._apply(call.now_ns)

    def _set_limit(self, call: Call) -> None:
        self._limit_a = round(arg.number(call.args[0], 0.0, 100.0), 3)
        self._apply(call.now_ns)

    def _set_trip(self, call: Call) -> None:
        self._trip_v = round(arg.number(call.args[0], 0.0, 44.0), 3)
        self._apply(call.now_ns)

    def _set_output(self, call: Call) -> None:
        on = arg.switch(call.args[0])
        if on and self._questionable.tripped:
            raise Refused(-221)
        self._switch(call.now_ns, on)

    def _switch(self, now_ns: int, on: bool) -> None:
        for latch in (self._questionable, self._operation):
            latch.bring_up(now_ns, self._on)
        if on and not self._on:
            self._operation.rise("regulated")
        self._on = on
        self._apply(now_ns)

    def _apply(self, now_ns: int) -> None:
        self._world.set_supply(now_ns, self._volts, self._limit_a, self._on)
        if self._on and self._volts > self._trip_v:
            self.trip(now_ns, "over-voltage")

    # Readings

    def _read(self, call: Call) -> tuple[float, float]:
        end_ns = call.now_ns // WINDOW_NS * WINDOW_NS
        means = measured(self._world, self._key, end_ns - WINDOW_NS, end_ns)
        return means.volts, means.amps

    def _standing(self, now_ns: int) -> set[Risen]:
        found: set[Risen] = set(self._questionable.tripped)
        if self._on:
            found.add("limited" if self._world.supply_limited(now_ns) else "regulated")
        return found


def _word(what: set[Risen], bits: dict[Risen, int]) -> str:
    return str(sum(bit for name, bit in bits.items() if name in what))
