"""What one night is to do, and what it needs built for it: frozen models and pure builders. No I/O."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from sequencer.analysis.uncertainty import CONTACT, HEAT, Source
from sequencer.measurements.power_job import Allowance, ChannelJob, LevelLimits, PowerJob
from sequencer.measurements.transferred import Transferred, transferred
from sequencer.night.source_marks import source_marks
from sequencer.plan.estimate import clip_volts, rest_s
from sequencer.plan.heat_law import heat_law
from sequencer.plan.methods import Method, method_row
from sequencer.plan.models import Bay, Bench, Plan, RoleName, Unit
from sequencer.plan.points import AnyPoint, Point
from sequencer.plan.promises import not_promised
from sequencer.safety.rules_load import ROOM_C, TRIP_C


@dataclass(frozen=True)
class UnitRun:
    """One plan on one unit in one bay. reference: its run is compared with another one of this unit in the night."""

    id: str
    unit: Unit
    bay: Bay
    points: tuple[AnyPoint, ...]
    reference: bool = False


@dataclass(frozen=True)
class Resumed:
    """What another process has left of this night. runs: all that have begun, by id, as the results have them. seq: of
    the last message it kept. why, guardian: as in a row of `resumed`."""

    runs: Mapping[str, Mapping[str, Any]]
    seq: int
    why: str
    guardian: str | None = None


@dataclass(frozen=True)
class NightPlan:
    """Everything the night is told. hashes: sha256 of plan and bench as loaded. bench_file: as `DeclaredNight` has it.
    resumed: where another process began it. proof: of the bench, as results keep it; None in simulated time."""

    plan: Plan
    bench: Bench
    runs: tuple[UnitRun, ...]
    seed: int
    plan_sha256: str
    bench_sha256: str
    version: str
    substitutes: Mapping[RoleName, str]  # role -> shipped dialect used in place of the user's own
    method: Method | None = None
    bench_file: str = ""
    resumed: Resumed | None = None
    proof: Mapping[str, Any] | None = None


def groups(points: Sequence[AnyPoint]) -> list[tuple[AnyPoint, ...]]:
    """Points that are searched together, in running order; a point of single values is a group of its own."""
    return [tuple(g) for _, g in groupby(points, key=lambda p: p.group)]


def power_job(
    night: NightPlan, run: UnitRun, group: tuple[Point, ...], earlier: Sequence[Mapping[str, Any]] = ()
) -> PowerJob:
    """The job of one group of points. earlier: rows of the unit's finished points."""
    bench, unit, point = night.bench, run.unit, group[0]
    load = bench.load[point.load]
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    rail = bench.input_for("rail")
    found = transferred(earlier)
    channels = tuple(channel_job(bench, unit, point, name, clips[name], found) for name in point.channels)
    budget = night.plan.budget
    return PowerJob(
        points=group,
        channels=channels,
        limits=level_limits(bench, unit, point),
        rail_input=rail,
        no_meter="supply" in bench.by_hand,
        coupling_hz=unit.coupling_hz,
        rest_s=rest_s(unit, point),
        heat=heat_law(unit, point.supply_v),
        lead_ohm=bench.lead["supply"].ohm if "supply" in bench.lead else 0.0,
        shots_at_most=budget.shots_per_point,
        stop_c=unit.heat.stop_c if run.bay.thermometer else None,
        allowance=Allowance(
            time_s=_least(budget.time_s),
            energy_unit_j=_least(budget.energy_unit_j, bench.ceiling.energy_unit_j),
            energy_load_j=_least(budget.energy_load_j, bench.ceiling.energy_load_j),
        ),
    )


def _least(*given: float | None) -> float:
    return min((value for value in given if value is not None), default=math.inf)


def channel_job(
    bench: Bench, unit: Unit, point: AnyPoint, name: str, clip_v: float, found: Sequence[Transferred] = ()
) -> ChannelJob:
    """One channel of a point. found: ranges compared with the meter. Raises LookupError where no input sees it."""
    channel = next(c for c in unit.channel if c.name == name)
    wire = bench.input_for(f"output {name}")
    if wire is None:
        raise LookupError(f"no digitiser input is wired to output {name}")  # refused before any run begins
    load = bench.load[point.load]
    return ChannelJob(
        name=name,
        input=wire,
        bridged=unit.bridged,
        load_ohm=load.ohm[name],
        clip_v=clip_v,
        gain_db=unit.gain_db if channel.gain_db is None else channel.gain_db,
        sources=_sources(bench, point.load, name, wire),
        ranges=_ranges(bench, wire),
        transfers=tuple(one for one in found if one.input == wire),
    )


def _sources(bench: Bench, load_name: str, channel: str, wire: str) -> tuple[Source, ...]:
    """The bench's own sources of one channel's power, each physical one once, in percent of its quantity.

    Heat: the file says at what ohms, not at what temperature; so up to all that the trip limit leaves, either way.
    """
    probe = bench.input.get(wire)
    load = bench.load[load_name]
    heat_pct = abs(load.tempco_ppm_per_k) * (TRIP_C - ROOM_C) / 1e4
    return (
        Source.voltage(
            f"probe:{wire}", probe.kind if probe else "rectangular", probe.gain_uncertainty_pct if probe else 0.0
        ),
        Source.resistance(f"load:{load_name}:{channel}", "normal", 100.0 * load.uncertainty_ohm / load.ohm[channel]),
        Source.resistance(HEAT, "rectangular", heat_pct),
        Source.resistance(CONTACT, "rectangular", 100.0 * load.contact_ohm / load.ohm[channel]),
    )


def _ranges(bench: Bench, wire: str) -> tuple[tuple[float, Source], ...]:
    """Every range of one input, rising: its reach at the unit's side and the source of its gain."""
    factor = bench.input[wire].factor if wire in bench.input else 1.0
    fitting = sorted((r for r in bench.range if r.input in ("all", wire)), key=lambda r: r.full_scale_v)
    return tuple(
        (
            r.full_scale_v * factor,
            Source.voltage(f"range:{wire}:{r.full_scale_v:g}", r.kind, r.gain_uncertainty_pct),
        )
        for r in fitting
    )


def level_limits(bench: Bench, unit: Unit, point: AnyPoint) -> LevelLimits:
    """What no level of a point may pass."""
    load = bench.load[point.load]
    outputs = [wire for wire, seen in bench.wiring.items() if seen.startswith(("output", "leg"))]
    factors = [bench.input[wire].factor if wire in bench.input else 1.0 for wire in outputs]
    largest = max(r.full_scale_v for r in bench.range) * min(factors)
    ohm = min(load.ohm[name] for name in point.channels)
    crests = [unit.limit.output_crest_v or largest]
    watts = [w for w in (bench.ceiling.output_w, unit.limit.power_w) if w is not None]
    crests += [(2.0 * w * ohm) ** 0.5 for w in watts]
    energies = [e for e in (load.burst_j, unit.limit.energy_per_burst_j) if e is not None]
    return LevelLimits(
        generator_vrms=min(bench.ceiling.generator_vrms, unit.input_max_vrms),
        output_crest_v=min(crests),
        burst_j=min(energies),
        largest_range_v=largest,
    )


def head_row(night: NightPlan, run: UnitRun, begun: str) -> dict[str, Any]:
    """The run as the results name it, before its points."""
    method = night.method and method_row(night.method, night.plan, run.unit, night.bench)
    left = list(not_promised(night.bench, run.unit))
    also: dict[str, Any] = ({"method": method} if method else {}) | ({"not_promised": left} if left else {})
    also |= {"proof": dict(night.proof)} if night.proof is not None else {}
    return {
        "id": run.id,
        "plan": night.plan.name,
        "plan_sha256": night.plan_sha256,
        "unit": {"serial": run.unit.serial, "model": run.unit.model},
        "label": night.plan.label,
        "bench": night.bench.name,
        "bench_sha256": night.bench_sha256,
        "bay": run.bay.name,
        "seed": night.seed,
        "version": night.version,
        "begun": begun,
        "dialect_substitutes": dict(night.substitutes),
        "ratings": [rating.model_dump() for rating in run.unit.rating],
        "wiring": dict(night.bench.wiring),
        "ranges_corrected": _corrected(night.bench),
        "source_marks": source_marks(night.bench),
        "reference": run.reference,
    } | also


def _corrected(bench: Bench) -> dict[str, str]:
    """Source of each range's gain that was compared with a meter: the date of that."""
    return {
        f"range:{wire}:{one.full_scale_v:g}": one.corrected_on.isoformat()
        for one in bench.range
        if one.corrected_on is not None
        for wire in sorted(bench.wiring)
        if one.input in ("all", wire)
    }
