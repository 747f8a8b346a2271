"""What a soak, or a point that begins cold or hot, cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_endurance import ENDURANCE
from sequencer.plan.estimate_heat import EIGHTH, HEATING_HZ, soak_part, soak_power_w, soak_supply_a
from sequencer.plan.estimate_quiet import HEATED as AS_A_SOAK
from sequencer.plan.estimate_quiet import PRECONDITION
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.refuse_points import CONTINUOUS_SHARE, FUSE_SHARE
from sequencer.plan.unattended import missing
from sequencer.plan.wording import key_path, shown

NO_THERMOMETER = "no bay has a thermometer for each channel of the unit"
READ_HEAT = ("soak", PRECONDITION, ENDURANCE)
HEATED = ("soak", ENDURANCE, *AS_A_SOAK)


def heat_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Stage by stage, then point by point of the soaks."""
    for number, stage in enumerate(plan.stage):
        yield from _thermometers(stage, f"stage[{number}]", unit, bench, files)
        if stage.measurement in HEATED:
            yield from _unattended(stage, f"stage[{number}]", unit, bench, files)
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement in HEATED:
            yield from _point(point, unit, bench, files)


def _thermometers(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    if any(set(unit.channel_names()) <= set(bay.thermometer) for bay in bench.bay):
        return
    if stage.measurement in READ_HEAT:
        words = f"it reads the heat sinks, and {NO_THERMOMETER}"
        yield Problem(files.plan, f"{key}.measurement", stage.measurement, words)
    if stage.wait == "cooled":
        yield Problem(files.plan, f"{key}.wait", '"cooled"', f"{NO_THERMOMETER}: another state, or wire them")
    for number, state in enumerate(stage.thermal):
        if state != "any":
            yield Problem(files.plan, f"{key}.thermal[{number}]", shown(state), f'{NO_THERMOMETER}: write "any"')


def _unattended(stage: Stage, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    part = stage.options.power_parts[0] if stage.options.power_parts else EIGHTH
    lacking = missing(bench)
    if part > EIGHTH and lacking:
        words = f"above 1/8 power with nobody there needs the bench's hardware: {', '.join(lacking)} not declared"
        yield Problem(files.plan, f"{key}.options.power_parts[0]", shown(part), words)
    low_hz, high_hz = unit.passband_hz
    if not low_hz <= HEATING_HZ <= high_hz:
        words = f"{_called(stage.measurement)} is driven at {HEATING_HZ:g} Hz: leave the stage out for this unit"
        yield Problem(files.unit, "passband_hz", shown(unit.passband_hz), words)


def _called(measurement: str) -> str:
    return f"{'an' if measurement == ENDURANCE else 'a'} {measurement.replace('_', ' ')}"


def _point(point: ValuePoint, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    load, power_w = bench.load[point.load], soak_power_w(point, unit, bench)
    what = f"{_called(point.measurement)} at {soak_part(point):.3g} of full power into {point.load}"
    if load.nominal_ohm < unit.minimum_load_ohm:
        words = f"{what}: lower than that is allowed for bursts only; another load"
        yield Problem(files.unit, "minimum_load_ohm", shown(unit.minimum_load_ohm), words)
    if power_w > CONTINUOUS_SHARE * load.continuous_w:
        words = f"{what} puts {power_w:.3g} W into it, above half of it: a smaller part, another load"
        yield Problem(files.bench, key_path(("load", point.load, "continuous_w")), shown(load.continuous_w), words)
    amps = soak_supply_a(point, unit, bench)
    if amps > FUSE_SHARE * unit.supply_fuse_a:
        words = f"{what} is expected to draw {amps:.3g} A, above 75 % of the fuse"
        yield Problem(files.unit, "supply_fuse_a", shown(unit.supply_fuse_a), words)
