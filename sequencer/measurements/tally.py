"""Joules that the shots of a point put into its loads and into the unit: what stands beside its results. Pure.

It hears every request with its reply, so that proofs, void shots, warming and soaks all count. Into the loads: the
records. Into the unit: what it drew less that. Under a steady tone the supply's meter says what it drew; a burst is
over before a slow meter has seen it, and what it took from the reservoir comes back when its record has ended: so
there the rail's charge counts, by the class B law, whose one constant the unit's own steady tones tell once there
were some.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Connect, Fire, Reply, Request, Shot
from sequencer.plan.heat_law import RAIL_OVER, heat_law, idle_most_a
from sequencer.plan.models import Bench, Unit
from sequencer.plan.window import CLOCKS_APART

CALM_S = 0.2  # after a burst: reservoirs are full again (common practice, no source)
LEARNT_FROM_A = 0.3  # rectified mean in the loads: below it the idle current is most of what is drawn


@dataclass
class _Sums:
    """Since the last row. charge_as: rectified, of all loads, in bursts; drawn_j: under steady tones."""

    shots: int = 0
    load_j: float = 0.0
    burst_s: float = 0.0
    charge_as: float = 0.0
    tone_s: float = 0.0
    drawn_j: float = 0.0
    unseen: set[str] = field(default_factory=set)


@dataclass
class _Place:
    """What is connected. supply_v: as the plan has it."""

    load: str | None
    channels: tuple[str, ...]
    supply_v: float


class Tally:
    """Of one unit. Knows its idle power, highest crest and draw for each ampere as they come to be seen."""

    def __init__(self, unit: Unit, bench: Bench) -> None:
        self._unit, self._bench = unit, bench
        self._place = _Place(None, (), unit.supply_v.nominal)
        self._idle_w: float | None = None
        self._crest_v: dict[float, float] = {}
        self._drawn_v: dict[float, float] = {}
        self._busy_until_ns = 0
        self._sums = _Sums()

    def begin(self, load: str | None, channels: tuple[str, ...], supply_v: float) -> None:
        """What is connected when a point begins."""
        self._place = _Place(load, channels, supply_v)

    def hear(self, request: Request, reply: Reply) -> None:
        """Adds a shot; an idle reading and what is connected are noted."""
        if isinstance(request, Connect):
            self._place = _Place(request.load, request.channels, self._place.supply_v)
        elif isinstance(request, Fire) and isinstance(reply, Shot):
            self._hear_shot(reply)
        elif isinstance(reply, BenchReading) and reply.at_ns >= self._busy_until_ns:
            drawn_w = self._at_unit_w(reply.supply_v, reply.supply_a)
            self._idle_w = self._idle_w if math.isnan(drawn_w) else drawn_w

    def take(self) -> dict[str, Any]:
        """The keys of a row for all that was heard since the last row; nothing where nothing was fired."""
        sums, self._sums = self._sums, _Sums()
        if not sums.shots:
            return {}
        drawn_j = sums.drawn_j + self._drawn_v_now * sums.charge_as + self._idle_now_w * sums.burst_s
        return {
            "energy_load_j": sums.load_j,
            "energy_unit_j": max(drawn_j - sums.load_j, 0.0),
            "energy_note": self._note(sums),
        }

    # --- one shot

    def _hear_shot(self, shot: Shot) -> None:
        request, sums, place = shot.request, self._sums, self._place
        length_s = request.cycles / request.frequency_hz
        self._busy_until_ns = shot.fired_at_ns + round(1e9 * (length_s + CALM_S))
        sums.shots += 1
        charge_as = 0.0
        if place.load is not None:
            load_j, charge_as = self._into_loads(shot, length_s, place.load)
            sums.load_j += load_j
        if request.last_s is None:
            sums.burst_s += length_s
            sums.charge_as += charge_as
            return
        drawn_w = self._at_unit_w(shot.supply_v, shot.supply_a)
        if math.isnan(drawn_w):  # nothing reads the supply: as in a burst
            sums.burst_s += length_s
            sums.charge_as += charge_as
            return
        sums.tone_s += length_s
        sums.drawn_j += drawn_w * length_s
        self._learn(drawn_w, charge_as / length_s, limited=shot.supply_limited)

    def _into_loads(self, shot: Shot, length_s: float, load: str) -> tuple[float, float]:
        """(J, A s) of all driven channels; one that no input sees is taken to be like the others."""
        seen = {}
        for name in self._place.channels:
            record = shot.records.get(self._bench.input_for(f"output {name}") or "")
            if record is not None:
                seen[name] = _of_record(record, shot.request, length_s, self._bench.load[load].ohm[name])
                self._note_crest(record)
        if not seen:
            self._sums.unseen |= set(self._place.channels)
            return 0.0, 0.0
        self._sums.unseen |= set(self._place.channels) - set(seen)
        more = len(self._place.channels) / len(seen)
        return more * sum(j for j, _ in seen.values()), more * sum(a_s for _, a_s in seen.values())

    def _note_crest(self, record: Record) -> None:
        if record.overloaded:
            return
        place = self._place.supply_v
        self._crest_v[place] = max(self._crest_v.get(place, 0.0), float(np.abs(record.volts).max()))

    def _learn(self, drawn_w: float, load_a: float, *, limited: bool) -> None:
        """Of a class whose draw follows the load's current, and only from a tone that drew much more than idle."""
        idle_w = self._idle_w
        if limited or idle_w is None or load_a < LEARNT_FROM_A or self._unit.output_class not in ("AB", "B"):
            return
        self._drawn_v[self._place.supply_v] = (drawn_w - idle_w) / load_a

    # --- what it is worth

    def _at_unit_w(self, supply_v: float, amps: float) -> float:
        lead = None if "supply" in self._bench.by_hand else self._bench.lead.get("supply")  # then volts are at the unit
        return amps * (supply_v - amps * (lead.ohm if lead else 0.0))

    @property
    def _drawn_v_now(self) -> float:
        place = self._place.supply_v
        learnt = self._drawn_v.get(place)
        return self._crest_now_v / heat_law(self._unit, place).converter if learnt is None else learnt

    @property
    def _crest_now_v(self) -> float:
        """The rail at rest: the highest crest seen, or what the file lets expect of a loaded one."""
        place = self._place.supply_v
        return max(self._crest_v.get(place, 0.0), heat_law(self._unit, place).rail_v / RAIL_OVER)

    @property
    def _idle_now_w(self) -> float:
        return idle_most_a(self._unit) * self._place.supply_v if self._idle_w is None else self._idle_w

    def _note(self, sums: _Sums) -> str:
        told = ["loads by the records" + (f", {', '.join(sorted(sums.unseen))} unseen" if sums.unseen else "")]
        if sums.tone_s:
            told.append("unit under steady tones by the supply's meter")
        if sums.burst_s:
            told.append(f"unit in bursts by the class B law and its idle current, {self._basis}")
        return "; ".join(told)

    @property
    def _basis(self) -> str:
        if self._unit.output_class in ("D", "H"):
            return f"an upper bound for class {self._unit.output_class}"
        place = self._place.supply_v
        if (drawn_v := self._drawn_v.get(place)) is not None:
            return f"{drawn_v:.1f} W drawn for each ampere in the loads, as under its steady tones"
        percent = 100.0 * heat_law(self._unit, place).converter
        return f"an estimate: rail {self._crest_now_v:.1f} V, converter {percent:g} %"


def _of_record(record: Record, request: Fire, length_s: float, ohm: float) -> tuple[float, float]:
    """(J, A s) of one channel. The record of a steady tone stands for all of it, up to where two clocks may have let
    it end."""
    volts, times = record.volts, 1.0
    if request.last_s is not None:
        end_s = length_s * (1.0 - CLOCKS_APART)
        volts = volts[: math.floor((end_s - record.start_s) / record.sample_interval_s + 1e-6) + 1]
        times = length_s / max(volts.size * record.sample_interval_s, 1e-12)
    each_s = record.sample_interval_s * times
    return float(np.dot(volts, volts)) / ohm * each_s, float(np.abs(volts).sum()) / ohm * each_s


def shared(energy: dict[str, Any], rows: int, first_id: str) -> list[dict[str, Any]]:
    """For the rows of points that were searched together: all of it stands in the first, so that sums are right."""
    if not energy:
        return [{} for _ in range(rows)]
    none = {"energy_load_j": 0.0, "energy_unit_j": 0.0, "energy_note": f"searched together with {first_id}"}
    return [energy, *(dict(none) for _ in range(rows - 1))]
