"""What a steady tone, or an efficiency, cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_efficiency import full_power_w, full_supply_a, tone_s
from sequencer.plan.expand import POWER, expand, power_parts
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import ValuePoint, parse_drive
from sequencer.plan.refuse_points import FUSE_SHARE, overload_factor
from sequencer.plan.unattended import INSTEAD, missing
from sequencer.plan.within import STEADY_LEAST_S, steady_words
from sequencer.plan.wording import key_path, shown

EFFICIENCY = "steady_efficiency"
UNATTENDED_PART = 0.125  # with nobody there, of the full power (common practice, no source)


def steady_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Stage by stage what nobody watches, then point by point of the efficiencies."""
    for number, stage in enumerate(plan.stage):
        yield from _unattended(stage, bench, files)
        if stage.measurement == EFFICIENCY:
            yield from _tones(stage, f"stage[{number}]", unit, bench, files)
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement == EFFICIENCY:
            yield from _costs(point, unit, bench, files)


def _unattended(stage: Stage, bench: Bench, files: Files) -> Iterator[Problem]:
    asked = _asked(stage)
    for name in missing(bench) if asked else ():
        words = f"stage {stage.name} asks for {asked}: above 1/8 power with nobody there the bench must declare it"
        words += f", or have {INSTEAD[name]}" if name in INSTEAD else ""
        yield Problem(files.bench, f"hardware.{name}", "false", words)


def _asked(stage: Stage) -> str | None:
    """What the stage asks above 1/8 power for longer than a burst, in its own words."""
    if stage.measurement == EFFICIENCY:
        high = [part for part in power_parts(stage) if part > UNATTENDED_PART * (1.0 + 1e-9)]
        return f"{high[0]:.3g} of the full power, steady" if high else None
    return next(filter(_is_steady, stage.drives), None) if stage.measurement == POWER else None


def _is_steady(text: str) -> bool:
    try:
        return parse_drive(text).steady_s is not None
    except ValueError:
        return False


def _tones(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    low_hz, high_hz = unit.passband_hz
    for number, hz in enumerate(stage.frequencies_hz):
        place = f"{key}.frequencies_hz[{number}]"
        if not low_hz <= hz <= high_hz:
            yield Problem(files.plan, place, shown(hz), f"the unit's passband is {low_hz:g} to {high_hz:g} Hz")
            continue
        for words in steady_words(tone_s(bench, hz), [hz]):
            yield Problem(files.plan, place, shown(hz), words)
    if bench.ceiling.burst_s < STEADY_LEAST_S:
        words = f"an efficiency takes tones of at least {STEADY_LEAST_S:g} s: a higher ceiling"
        yield Problem(files.bench, "ceiling.burst_s", shown(bench.ceiling.burst_s), words)


def _costs(point: ValuePoint, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    load, (hz,) = bench.load[point.load], point.frequencies_hz
    length_s, part = tone_s(bench, hz), max(point.power_parts)
    watts, amps = part * full_power_w(point, unit, bench), full_supply_a(point, unit, bench)
    most_w = overload_factor(load.kind, length_s) * load.continuous_w
    for key, value, limit in (
        ("burst_j", watts * length_s, load.burst_j),
        ("burst_max_s", length_s, load.burst_max_s),
        ("continuous_w", watts, most_w),
    ):
        if value > limit * (1.0 + 1e-9):
            words = f"an efficiency takes {value:.3g} there in a tone of {length_s:g} s: another load"
            yield Problem(files.bench, key_path(("load", point.load, key)), shown(getattr(load, key)), words)
    if amps > min(unit.supply_a_max, FUSE_SHARE * unit.supply_fuse_a):
        words = (
            f"an efficiency into {point.load} is expected to draw {amps:.3g} A: above 75 % of the fuse or supply_a_max"
        )
        yield Problem(files.unit, "supply_fuse_a", shown(unit.supply_fuse_a), words)
    if amps > bench.ceiling.supply_a:
        words = f"an efficiency into {point.load} is expected to draw {amps:.3g} A, above this ceiling"
        yield Problem(files.bench, "ceiling.supply_a", shown(bench.ceiling.supply_a), words)
