"""What a comparison with the meter cannot have from this unit on this bench. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.clip import clip_volts
from sequencer.plan.estimate_checks import check_tone_hz
from sequencer.plan.estimate_transfer import TRANSFER, range_levels, transfer_cycles, transfer_window
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import NoWindow
from sequencer.plan.wording import shown


def transfer_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Of each point of `range_transfer`: the meter, its leads, the tone's length, ranges it can fill."""
    keys = {stage.name: f"stage[{number}]" for number, stage in enumerate(plan.stage)}
    for point in expand(plan, unit, bench):
        if isinstance(point, ValuePoint) and point.measurement == TRANSFER:
            yield from _point(point, keys[point.stage], unit, bench, files)


def _point(point: ValuePoint, key: str, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    what, meter = f"{TRANSFER} in stage {point.stage}", bench.meter
    if meter is None:
        remedy = f"{what} needs a meter: a bench with [role.meter] and [meter], or leave the stage out"
        yield Problem(files.bench, "role.meter", "(nothing)", remedy)
        return
    if not any(name in meter.close for name in point.channels):
        remedy = f"the meter sees {', '.join(meter.close)} only: one of these"
        yield Problem(files.plan, f"{key}.channels", shown(point.channels), remedy)
    hz = check_tone_hz(point, unit)
    tone_s, most_s = transfer_cycles(meter, hz) / hz, bench.ceiling.burst_s
    if tone_s > most_s:
        remedy = f"{what} needs tones of {tone_s:.3g} s for one reading of the meter"
        yield Problem(files.bench, "ceiling.burst_s", shown(most_s), remedy)
    try:
        transfer_window(bench, hz)
    except NoWindow as none:
        value = getattr(bench.digitiser, none.key)
        yield Problem(files.bench, f"digitiser.{none.key}", shown(value), f"{what}: {none}")
    clips = clip_volts(unit, bench.load[point.load].nominal_ohm, point.supply_v)
    for name in point.channels:
        wire = bench.input_for(f"output {name}")
        if wire is not None and name in meter.close and not range_levels(bench, wire, clips[name]):
            remedy = f"{what}: none of channel {name} is filled by a tone well below its clip volts: add ranges"
            yield Problem(files.bench, "range", "(tables)", remedy)
