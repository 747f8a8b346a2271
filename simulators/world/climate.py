"""All temperatures of the bench: units in their bays, and loads."""

from __future__ import annotations

import math
from collections.abc import Iterator

from simulators.world.bench_truth import BenchTruth, LoadTruth
from simulators.world.heat import Warmth, both_later_c, later_c
from simulators.world.layout import Bay, Layout, Load
from simulators.world.timeline import Segment
from simulators.world.unit_truth import HeatTruth, UnitTruth

OHM_PARTS = 1e5  # loads follow their heat in parts of 10 ppm, so that equal is equal


class Climate:
    """Anchored at the last change; nothing moves by being read. last, closed: the segment that runs since, and the
    contacts closed in it.
    """

    def __init__(self, layout: Layout, bench: BenchTruth) -> None:
        self._layout, self._bench = layout, bench
        self._bays = {bay.name: _at_rest(bay) for bay in layout.bays}
        self._loads = {
            (load.name, channel): bench.load[load.name].ambient_c
            for load in layout.loads
            if load.name in bench.load
            for channel in load.channels
        }
        self._loads_ns = 0
        self.closed = frozenset[str]()
        self.last: Segment | None = None
        self._found: tuple[Warmth, Segment, Warmth] | None = None

    def now(self, bay: Bay, now_ns: int) -> Warmth:
        """From the last change on, the work since then taken as evenly spread in time."""
        before, last = self._bays[bay.name], self.last
        if bay.unit is None or last is None or now_ns <= before.at_ns:
            return before
        found = self._found  # asked several times for one instant
        if found is None or found[0] is not before or found[1] is not last or found[2].at_ns != now_ns:
            found = self._found = (before, last, self._from(before, bay, bay.unit, last, now_ns))
        return found[2]

    def _from(self, before: Warmth, bay: Bay, unit: UnitTruth, last: Segment, now_ns: int) -> Warmth:
        elapsed_s = (now_ns - before.at_ns) * 1e-9
        watts = (0.0,) * len(before.celsius)
        if bay.name == last.bay:
            watts = tuple(joules / elapsed_s for joules in last.response.work(last.seconds(now_ns)).heat_j)
            unit = last.setting.unit or unit
        return _later(before, watts, elapsed_s, now_ns, unit)

    def settle(self, at_ns: int) -> None:
        """Take the state of this instant as the new anchor."""
        warmed = self._loads_at(at_ns)
        self._bays = {bay.name: self.now(bay, at_ns) for bay in self._layout.bays}
        self._loads = warmed
        self._loads_ns = at_ns

    def _loads_at(self, now_ns: int) -> dict[tuple[str, str], float]:
        if not self._loads or self.last is None:
            return self._loads
        return self._loads | dict(self._warm_loads(self.last, now_ns))

    def _warm_loads(self, last: Segment, at_ns: int) -> Iterator[tuple[tuple[str, str], float]]:
        elapsed_s = (at_ns - self._loads_ns) * 1e-9
        if elapsed_s <= 0.0:
            return
        unit = last.setting.unit
        joules = last.response.work(last.seconds(at_ns)).load_j
        by_channel = dict(zip((c.name for c in unit.channels), joules, strict=True)) if unit and joules else {}
        for load in self._layout.loads:
            for channel, (contacts, ohm) in load.channels.items():
                if (load.name, channel) not in self._loads:
                    continue
                total = self._layout.load_ohm(channel, self.closed)
                share = total / ohm if self.closed.issuperset(contacts) else 0.0
                heat = self._bench.load[load.name].heat
                watts = share * by_channel.get(channel, 0.0) / elapsed_s
                yield (load.name, channel), later_c(self._loads[load.name, channel], watts, elapsed_s, heat)

    def load_at(self, channel: str, closed: frozenset[str], now_ns: int) -> tuple[float, float]:
        """(ohm, henry) on a channel, as warm as its loads are."""
        if not self._bench.load and not self._bench.contact_ohm:
            return self._layout.load_ohm(channel, closed), 0.0
        warm = self._loads_at(now_ns) if self.loads_drift else self._loads
        siemens = henry_siemens = 0.0
        for load in self._layout.loads:
            contacts, ohm = load.channels.get(channel, ((), math.inf))
            if closed.issuperset(contacts) and not math.isinf(ohm):
                now_ohm = self._ohm_now(load, ohm, warm.get((load.name, channel))) + sum(
                    self._bench.contact_ohm.get(c, 0.0) for c in contacts
                )
                siemens += 1.0 / now_ohm
                henry_siemens += self._bench.load.get(load.name, LoadTruth()).inductance_h / now_ohm**2
        return (1.0 / siemens, henry_siemens / siemens**2) if siemens else (math.inf, 0.0)

    def _ohm_now(self, load: Load, ohm: float, celsius: float | None) -> float:
        truth = self._bench.load.get(load.name)
        if truth is None or celsius is None or not truth.tempco_per_k:
            return ohm
        rise_k = celsius - truth.ambient_c
        return ohm * round(OHM_PARTS * (1.0 + truth.tempco_per_k * rise_k)) / OHM_PARTS

    @property
    def loads_drift(self) -> bool:
        return any(truth.tempco_per_k for truth in self._bench.load.values())


def _later(before: Warmth, watts: tuple[float, ...], elapsed_s: float, now_ns: int, unit: UnitTruth) -> Warmth:
    heat = unit.heat
    if not before.devices:
        pairs = zip(before.celsius, watts, strict=True)
        return Warmth(now_ns, tuple(later_c(c, w, elapsed_s, heat) for c, w in pairs))
    both = [
        both_later_c((before.devices[k], before.celsius[k]), watts[k], elapsed_s, heat, channel.mounting_k_per_w)
        for k, channel in enumerate(unit.channels)
    ]
    return Warmth(now_ns, tuple(s for _, s in both), tuple(d for d, _ in both))


def _at_rest(bay: Bay) -> Warmth:
    unit = bay.unit
    if unit is None:
        return Warmth(0, ())
    at_rest = (unit.heat.ambient_c,) * len(unit.channels)
    return Warmth(0, at_rest, at_rest if has_devices(unit.heat) else ())


def has_devices(heat: HeatTruth) -> bool:
    """The devices are a node of their own."""
    return heat.device_j_per_k > 0.0
