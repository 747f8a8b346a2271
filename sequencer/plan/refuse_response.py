"""What the measurements of response cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_distortion import tone_burst_cycles
from sequencer.plan.estimate_response import (
    BANDWIDTH,
    IMPEDANCE,
    MEASUREMENTS,
    bandwidth_harmonics,
    longest_s,
    response_cost,
)
from sequencer.plan.estimate_values import value_rest_s
from sequencer.plan.expand import channel_sets, expand, limits_of, own_frequencies, value_loads
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse_distortion import cost_refusals, tone_refusals
from sequencer.plan.window import gain_cycles
from sequencer.plan.wording import shown


def response_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Tones, limit and second load stage by stage; harmonics, joules and amps point by point."""
    for number, stage in enumerate(plan.stage):
        if stage.measurement in MEASUREMENTS:
            key = f"stage[{number}]"
            yield from _tones(stage, key, unit, bench, files)
            yield from _limits(stage, key, files)
            yield from _second_load(stage, key, unit, bench, files)
    numbers = {stage.name: number for number, stage in enumerate(plan.stage)}
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement in MEASUREMENTS and point.frequencies_hz:
            yield from _harmonics(point, f"stage[{numbers[point.stage]}]", files)
            cost = response_cost(point, unit, bench, value_rest_s(unit))
            yield from cost_refusals(point, cost, longest_s(point), unit, bench, files)


def _tones(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    (low_hz, high_hz), place = unit.passband_hz, f"{key}.frequencies_hz"
    tones = own_frequencies(stage, unit)
    if not tones:
        remedy = f"none of the usual frequencies lies within the unit's passband, {low_hz:g} to {high_hz:g} Hz"
        yield Problem(files.plan, place, "(nothing)", f"{remedy}: give some")
    bandwidth = stage.measurement == BANDWIDTH
    asked = ((place, hz, (tone_burst_cycles(hz) if bandwidth else gain_cycles(hz)) / hz) for hz in tones)
    yield from tone_refusals(asked, unit, bench, files)


def _limits(stage: Stage, key: str, files: Files) -> Iterator[Problem]:
    limits = [one for _, some in limits_of(stage.stop_limit) for one in some]
    if stage.measurement == BANDWIDTH and len(limits) > 1:
        remedy = "a power bandwidth is judged by one limit: leave one"
        yield Problem(files.plan, f"{key}.stop_limit", shown(limits), remedy)


def _harmonics(point: ValuePoint, key: str, files: Files) -> Iterator[Problem]:
    """Each tone needs one within the band, or nothing can be said of it."""
    for hz in point.frequencies_hz if point.measurement == BANDWIDTH else ():
        if bandwidth_harmonics(point, hz) < 2:
            remedy = f"no harmonic of {hz:g} Hz lies within it: a wider one, or lower frequencies"
            yield Problem(files.plan, f"{key}.stop_limit.band_hz", shown(point.band_hz), remedy)


def _second_load(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    name, place = stage.options.second_load, f"{key}.options.second_load"
    if name is None:
        return
    if stage.measurement != IMPEDANCE:
        yield Problem(files.plan, place, shown(name), f"says nothing to {stage.measurement}: leave it out")
        return
    load = bench.load.get(name)
    if load is None:
        yield Problem(files.plan, place, shown(name), f"the bench has {', '.join(bench.load)}")
        return
    missing = [n for names in channel_sets(stage, unit) for n in names if n not in load.ohm]
    if missing:
        remedy = f"no measured ohms for channel {', '.join(dict.fromkeys(missing))}: another load"
        yield Problem(files.plan, place, shown(name), remedy)
    if load.by_hand:
        yield Problem(files.plan, place, shown(name), "no contact switches it: both loads must change by themselves")
    if load.nominal_ohm < unit.minimum_load_ohm:
        remedy = f"{load.nominal_ohm:g} ohm is below the unit's minimum of {unit.minimum_load_ohm:g}: another load"
        yield Problem(files.plan, place, shown(name), remedy)
    for first in value_loads(stage, unit, bench):
        if bench.load[first].nominal_ohm <= load.nominal_ohm:
            remedy = f"not below the {bench.load[first].nominal_ohm:g} ohm of {first}: one of lower ohms"
            yield Problem(files.plan, place, shown(name), remedy)
