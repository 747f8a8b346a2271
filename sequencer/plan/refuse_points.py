"""Refusals that follow from volts, amps, joules and samples of each point. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from sequencer.errors import Problem
from sequencer.plan.estimate import Estimate, estimates, floor, point_window
from sequencer.plan.estimate_values import value_window
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Load, Plan, Unit
from sequencer.plan.points import Point, ValuePoint
from sequencer.plan.window import NoWindow
from sequencer.plan.wording import key_path, shown

FLOOR_FACTOR = 3.0  # a limit nearer to the floor than that is no limit of the unit's (common practice, no source)
RANGE_MARGIN = 1.15
RAIL_MARGIN = 1.4
FUSE_SHARE = 0.75  # common practice, no source
LEAD_DROP = 0.03  # common practice, no source
CONTINUOUS_SHARE = 0.5  # of a load's nameplate, with nobody there (common practice, no source)
FILM_OVERLOAD = 1.5  # times continuous, for any length (common practice, no source)
WIREWOUND_OVERLOAD = (
    (0.05, 10.0),
    (0.5, 5.0),
)  # up to that many seconds, times continuous (common practice, no source)
PROOF_CYCLES = 20  # the gain is proved with so many, whatever the drive
HARMONICS_LEAST = 2


@dataclass(frozen=True)
class _Found:
    """excess: how many times beyond what is allowed; the worst of many points is the one that is told."""

    excess: float
    problem: Problem


@dataclass(frozen=True)
class _Case:
    """One point with what it is expected to cost."""

    plan: Plan
    unit: Unit
    bench: Bench
    files: Files
    point: Point
    cost: Estimate

    @property
    def stage_key(self) -> str:
        names = [s.name for s in self.plan.stage]
        return f"stage[{names.index(self.point.stage)}]"

    @property
    def load(self) -> Load:
        return self.bench.load[self.point.load]

    @property
    def drive(self) -> str:
        return f"{self.point.drive} at {self.point.frequency_hz:g} Hz into {self.point.load}"

    def by_plan(self, excess: float, key: str, value: object, remedy: str) -> _Found:
        return _Found(excess, Problem(self.files.plan, key, shown(value), remedy))

    def by_unit(self, excess: float, key: str, value: object, remedy: str) -> _Found:
        return _Found(excess, Problem(self.files.unit, key, shown(value), remedy))

    def by_bench(self, excess: float, key: str, value: object, remedy: str) -> _Found:
        return _Found(excess, Problem(self.files.bench, key, shown(value), remedy))


def point_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """The worst point for each place in a file, with the number of other points that pass it, too."""
    places: dict[tuple[str, str, str], list[_Found]] = {}
    for found in _all(plan, unit, bench, files):
        problem = found.problem
        places.setdefault((problem.file, problem.key, problem.value), []).append(found)
    for several in places.values():
        worst = max(several, key=lambda one: one.excess).problem
        others = len({one.problem.remedy for one in several}) - 1
        yield replace(worst, remedy=f"{worst.remedy} (and {others} more)") if others else worst


def _all(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[_Found]:
    points = expand(plan, unit, bench)
    for point, cost in zip(points, estimates(points, unit, bench, plan.budget.shots_per_point), strict=True):
        if not isinstance(point, Point):
            yield from _of_values(point, cost, plan, bench, files)
            continue
        case = _Case(plan, unit, bench, files, point, cost)
        if point.harmonics < HARMONICS_LEAST:
            continue  # said by its frequency already
        for check in (_capture, _floor, _ranges, _level, _load, _amps, _ceilings, _budget):
            yield from check(case)


def _of_values(point: ValuePoint, cost: Estimate, plan: Plan, bench: Bench, files: Files) -> Iterator[_Found]:
    """Points at no level or a harmless one: the record must fit, and the time may be limited."""
    what = f"{point.measurement} in stage {point.stage}"
    if point.measurement != "idle_current":
        try:
            value_window(bench, point)
        except NoWindow as none:
            value = getattr(bench.digitiser, none.key)
            yield _Found(none.excess, Problem(files.bench, f"digitiser.{none.key}", shown(value), f"{what}: {none}"))
    limit_s = plan.budget.time_s
    if limit_s is not None and cost.time_s > limit_s:
        remedy = f"{what} may take {cost.time_s:.3g} s: raise the budget"
        yield _Found(cost.time_s, Problem(files.plan, "budget.time_s", shown(limit_s), remedy))


def _capture(case: _Case) -> Iterator[_Found]:
    point, depth = case.point, case.bench.digitiser
    proof = replace(point, steady=False, cycles=PROOF_CYCLES)
    for one in dict.fromkeys((point, proof)):
        try:
            point_window(case.bench, one)
        except NoWindow as none:
            what = f"20 cycles at {point.frequency_hz:g} Hz to prove the gain" if one == proof else case.drive
            value = depth.rates_hz if none.key == "rates_hz" else depth.samples_max
            yield case.by_bench(none.excess, f"digitiser.{none.key}", value, f"{what}: {none}")


def _floor(case: _Case) -> Iterator[_Found]:
    point, window = case.point, case.cost.window
    if window is None:
        return
    least_pct = FLOOR_FACTOR * 100.0 * floor(case.bench, point, window)
    if point.limit_pct < least_pct:
        bits = case.bench.digitiser.bits
        remedy = f"below 3 x the floor of {bits} bit for {case.drive}: at least {_up(least_pct)}"
        key = f"{case.stage_key}.stop_limit.{point.quantity}_pct"
        yield case.by_plan(least_pct / point.limit_pct, key, point.limit_pct, remedy)


def _up(value: float) -> str:
    """Two digits, rounded up: advice that is just enough must be enough."""
    unit = 10.0 ** (math.floor(math.log10(value)) - 1)
    return f"{math.ceil(value / unit - 1e-9) * unit:.2g}"


def _ranges(case: _Case) -> Iterator[_Found]:
    bench = case.bench
    clip_v = case.cost.clip_v
    wanted = {} if clip_v is None else {f"output {c}": RANGE_MARGIN * clip_v for c in case.point.channels}
    wanted["rail"] = RAIL_MARGIN * case.point.supply_v
    for wire, volts in wanted.items():
        name = bench.input_for(wire)
        if name is None:
            continue
        factor = bench.input[name].factor if name in bench.input else 1.0
        largest_v = factor * max((r.full_scale_v for r in bench.range if r.input in ("all", name)), default=0.0)
        if largest_v < volts:
            remedy = f"{wire} needs {volts:.3g} V, the largest range shows {largest_v:.3g}: a higher probe factor"
            yield case.by_bench(volts, f"input.{name}.factor", factor, remedy)


def _level(case: _Case) -> Iterator[_Found]:
    needed = case.cost.level_vrms
    expected = f"the limit is expected at {needed:.3g} Vrms for {case.drive}"
    ceiling_vrms, most_vrms = case.bench.ceiling.generator_vrms, case.unit.input_max_vrms
    if needed > ceiling_vrms:
        remedy = f"{expected}: a higher ceiling, or correct the unit's gain_db"
        yield case.by_bench(needed, "ceiling.generator_vrms", ceiling_vrms, remedy)
    if needed > most_vrms:
        remedy = f"{expected}, more than the input takes: check gain_db and the clip volts"
        yield case.by_unit(needed, "input_max_vrms", most_vrms, remedy)


def _load(case: _Case) -> Iterator[_Found]:
    load, cost, burst_s = case.load, case.cost, case.point.burst_s
    mean_w = cost.burst_j / (burst_s + cost.rest_s)
    overload = overload_factor(load.kind, burst_s)
    for key, value, limit, words in (
        ("burst_j", cost.burst_j, load.burst_j, "J in one burst"),
        ("burst_max_s", burst_s, load.burst_max_s, "s in one burst"),
        ("continuous_w", mean_w, CONTINUOUS_SHARE * load.continuous_w, "W on average, above half of it"),
        (
            "continuous_w",
            cost.power_w,
            overload * load.continuous_w,
            f"W in the burst, above {overload:g} x of it",
        ),
    ):
        if value > limit * (1.0 + 1e-9):
            remedy = f"{case.drive} puts {value:.3g} {words}: fewer cycles, another load"
            place = key_path(("load", case.point.load, key))
            yield case.by_bench(value / limit, place, getattr(load, key), remedy)


def overload_factor(kind: str, burst_s: float) -> float:
    """How many times its continuous watts a load bears for one burst (common practice, no source)."""
    if kind == "film":
        return FILM_OVERLOAD
    return next((factor for longest_s, factor in WIREWOUND_OVERLOAD if burst_s <= longest_s), 1.0)


def _amps(case: _Case) -> Iterator[_Found]:
    unit, bench, amps = case.unit, case.bench, case.cost.supply_a
    lead = bench.lead.get("supply")
    if amps > FUSE_SHARE * unit.supply_fuse_a:
        yield case.by_unit(amps, "supply_fuse_a", unit.supply_fuse_a, _amps_words(case, "above 75 % of the fuse"))
    if amps > unit.supply_a_max:
        yield case.by_unit(amps, "supply_a_max", unit.supply_a_max, _amps_words(case, "more than that"))
    fuses = {
        "hardware.supply_fuse_a": bench.hardware.supply_fuse_a,
        "lead.supply.fuse_a": lead.fuse_a if lead else None,
    }
    for key, fuse_a in fuses.items():
        if fuse_a is not None and amps > FUSE_SHARE * fuse_a:
            yield case.by_bench(amps, key, fuse_a, _amps_words(case, "above 75 % of the fuse"))
    if amps > bench.ceiling.supply_a:
        words = _amps_words(case, "above this ceiling")
        yield case.by_bench(amps, "ceiling.supply_a", bench.ceiling.supply_a, words)
    if lead and lead.ohm * amps > LEAD_DROP * case.point.supply_v:
        words = f"which drop {lead.ohm * amps:.2g} V in the lead, above 3 %: a shorter or thicker one"
        yield case.by_bench(amps, "lead.supply.ohm", lead.ohm, _amps_words(case, words))


def _amps_words(case: _Case, words: str) -> str:
    return f"{case.drive} is expected to draw {case.cost.supply_a:.3g} A, {words}"


def _ceilings(case: _Case) -> Iterator[_Found]:
    ceiling, cost = case.bench.ceiling, case.cost
    for key, value, limit, unit in (
        ("output_w", cost.power_w, ceiling.output_w, "W a channel"),
        ("energy_unit_j", cost.energy_unit_j, ceiling.energy_unit_j, "J of heat in the unit"),
        ("energy_load_j", cost.energy_load_j, ceiling.energy_load_j, "J in the loads"),
    ):
        if limit is not None and value > limit:
            remedy = f"{case.drive} may take {value:.3g} {unit}: fewer cycles, another load"
            yield case.by_bench(value, f"ceiling.{key}", limit, remedy)


def _budget(case: _Case) -> Iterator[_Found]:
    budget, cost = case.plan.budget, case.cost
    for key, value, limit, unit in (
        ("time_s", cost.time_s, budget.time_s, "s"),
        ("energy_unit_j", cost.energy_unit_j, budget.energy_unit_j, "J of heat in the unit"),
        ("energy_load_j", cost.energy_load_j, budget.energy_load_j, "J in the loads"),
    ):
        if limit is not None and value > limit:
            remedy = f"{case.drive} may take {value:.3g} {unit}: raise the budget, or ask for fewer cycles"
            yield case.by_plan(value, f"budget.{key}", limit, remedy)
