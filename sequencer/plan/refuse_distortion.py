"""What the measurements of distortion cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_distortion import (
    BY_FREQUENCY,
    BY_LEVEL,
    HEADROOM,
    HEADROOM_HZ,
    MEASUREMENTS,
    TONE_PAIRS,
    DistortionCost,
    distortion_cost,
    longest_loud_s,
    tone_burst_cycles,
)
from sequencer.plan.estimate_efficiency import full_power_w
from sequencer.plan.estimate_values import value_rest_s
from sequencer.plan.expand import expand, own_frequencies
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse_points import FUSE_SHARE, overload_factor
from sequencer.plan.wording import key_path, shown


def distortion_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Tones stage by stage; watts, volts, joules and amps point by point."""
    for number, stage in enumerate(plan.stage):
        if stage.measurement in MEASUREMENTS:
            yield from _tones(stage, f"stage[{number}]", unit, bench, files)
    numbers = {stage.name: number for number, stage in enumerate(plan.stage)}
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement in MEASUREMENTS:
            yield from _powers(point, f"stage[{numbers[point.stage]}]", unit, bench, files)
            yield from _costs(point, unit, bench, files)


def _tones(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    yield from tone_refusals(_asked(stage, key, unit), unit, bench, files)


def tone_refusals(
    asked: Iterable[tuple[str, float, float]], unit: Unit, bench: Bench, files: Files
) -> Iterator[Problem]:
    """asked: (place in the plan, Hz, seconds of its bursts) of each tone."""
    low_hz, high_hz = unit.passband_hz
    for place, hz, seconds in asked:
        if not low_hz <= hz <= high_hz:
            yield Problem(files.plan, place, shown(hz), f"the unit's passband is {low_hz:g} to {high_hz:g} Hz")
        elif seconds > bench.ceiling.burst_s:
            words = f"its bursts last {seconds:.3g} s, above the bench's ceiling.burst_s = {bench.ceiling.burst_s:g}"
            yield Problem(files.plan, place, shown(hz), f"{words}: a higher frequency")


def _asked(stage: Stage, key: str, unit: Unit) -> Iterator[tuple[str, float, float]]:
    """(place in the plan, Hz, seconds of its bursts) of each tone."""
    if stage.measurement in (BY_LEVEL, BY_FREQUENCY):
        tones = own_frequencies(stage, unit) if stage.measurement == BY_FREQUENCY else stage.frequencies_hz
        for hz in tones:
            yield f"{key}.frequencies_hz", hz, tone_burst_cycles(hz) / hz
    elif stage.measurement == HEADROOM:
        yield f"{key}.measurement", HEADROOM_HZ, 0.0
    else:
        for name in stage.options.tone_pairs:
            pair = TONE_PAIRS[name]
            for hz in (pair.first_hz, pair.second_hz):
                yield f"{key}.options.tone_pairs", hz, pair.burst_s


def _powers(point: ValuePoint, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    most_w = full_power_w(point, unit, bench)
    for number, watts in enumerate(point.powers_w if point.measurement == BY_FREQUENCY else ()):
        if watts > most_w:
            words = f"the unit is expected to give {most_w:.3g} W into {point.load}: less"
            yield Problem(files.plan, f"{key}.options.powers_w[{number}]", shown(watts), words)


def _costs(point: ValuePoint, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    cost = distortion_cost(point, unit, bench, value_rest_s(unit))
    yield from cost_refusals(point, cost, longest_loud_s(point), unit, bench, files)


def cost_refusals(
    point: ValuePoint, cost: DistortionCost, seconds: float, unit: Unit, bench: Bench, files: Files
) -> Iterator[Problem]:
    """What bursts of at most so many seconds take from load, generator and supply beyond what these may give."""
    load, what = bench.load[point.load], f"{point.measurement} into {point.load}"
    most_w = overload_factor(load.kind, seconds) * load.continuous_w
    for key, value, limit in (
        ("burst_j", cost.power_w * seconds, load.burst_j),
        ("burst_max_s", seconds, load.burst_max_s),
        ("continuous_w", cost.power_w, most_w),
    ):
        if value > limit * (1.0 + 1e-9):
            words = f"{what} takes {value:.3g} there in a burst of {seconds:.3g} s: another load, higher tones"
            yield Problem(files.bench, key_path(("load", point.load, key)), shown(getattr(load, key)), words)
    for file, key, value, limit in (
        (files.bench, "ceiling.generator_vrms", cost.level_vrms, bench.ceiling.generator_vrms),
        (files.unit, "input_max_vrms", cost.level_vrms, unit.input_max_vrms),
        (files.bench, "ceiling.supply_a", cost.supply_a, bench.ceiling.supply_a),
        (files.unit, "supply_a_max", cost.supply_a, unit.supply_a_max),
    ):
        if value > limit * (1.0 + 1e-9):
            yield Problem(file, key, shown(limit), f"{what} is expected to need {value:.3g}: another load, less power")
    if cost.supply_a > FUSE_SHARE * unit.supply_fuse_a:
        words = f"{what} is expected to draw {cost.supply_a:.3g} A, above 75 % of the fuse"
        yield Problem(files.unit, "supply_fuse_a", shown(unit.supply_fuse_a), words)
