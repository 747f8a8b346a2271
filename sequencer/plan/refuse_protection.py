"""What `protection` cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_protection import CYCLES, protection_cost
from sequencer.plan.estimate_values import value_rest_s
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.wording import key_path, shown

MEASUREMENT = "protection"


def protection_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Tones stage by stage, then current point by point."""
    for number, stage in enumerate(plan.stage):
        if stage.measurement == MEASUREMENT:
            yield from _tones(stage, f"stage[{number}]", unit, bench, files)
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement == MEASUREMENT:
            yield from _amps(point, unit, bench, files)


def _tones(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    low_hz, high_hz = unit.passband_hz
    for number, frequency_hz in enumerate(stage.frequencies_hz):
        place, burst_s = f"{key}.frequencies_hz[{number}]", CYCLES / frequency_hz
        if not low_hz <= frequency_hz <= high_hz:
            yield Problem(
                files.plan, place, shown(frequency_hz), f"the unit's passband is {low_hz:g} to {high_hz:g} Hz"
            )
        if burst_s > bench.ceiling.burst_s:
            words = (
                f"{CYCLES} cycles are {burst_s:.3g} s, above the bench's ceiling.burst_s = {bench.ceiling.burst_s:g}"
            )
            yield Problem(files.plan, place, shown(frequency_hz), f"{words}: a higher frequency")
        for name in stage.loads:
            load = bench.load.get(name)
            if load is not None and burst_s > load.burst_max_s:
                words = f"{CYCLES} cycles at {frequency_hz:g} Hz are {burst_s:.3g} s: a higher frequency, another load"
                yield Problem(files.bench, key_path(("load", name, "burst_max_s")), shown(load.burst_max_s), words)


def _amps(point: ValuePoint, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    amps = protection_cost(point, unit, bench, value_rest_s(unit)).supply_a
    if amps > unit.supply_a_max:
        words = f"protection into {point.load} may draw {amps:.3g} A in its bursts: another load, fewer channels"
        yield Problem(files.unit, "supply_a_max", shown(unit.supply_a_max), words)
