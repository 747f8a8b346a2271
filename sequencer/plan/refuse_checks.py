"""What a plan may not ask of `first_power` and `bench_check`. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.errors import Problem
from sequencer.plan.estimate_checks import CHECKS, check_window, longest_check_s
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import NoWindow
from sequencer.plan.wording import shown


def check_refusals(plan: Plan, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    """Order of the stages, length of the tones, size of the records."""
    for number, point in enumerate(expand(plan, unit, bench)):
        if not isinstance(point, ValuePoint) or point.measurement not in CHECKS:
            continue
        key = f"stage[{[stage.name for stage in plan.stage].index(point.stage)}]"
        if point.measurement == "first_power":
            yield from _first(point, number, key, files)
        yield from _records(point, unit, bench, files)


def _first(point: ValuePoint, number: int, key: str, files: Files) -> Iterator[Problem]:
    if number > 0:
        remedy = "a unit is powered for the first time once: the first stage, with one supply voltage and one load"
        yield Problem(files.plan, f"{key}.measurement", "first_power", remedy)


def _records(point: ValuePoint, unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    what = f"{point.measurement} in stage {point.stage}"
    longest_s, most_s = longest_check_s(point, unit), bench.ceiling.burst_s
    if longest_s > most_s:
        yield Problem(files.bench, "ceiling.burst_s", shown(most_s), f"{what} needs tones of {longest_s:.3g} s")
    try:
        check_window(bench, point, unit)
    except NoWindow as none:
        value = getattr(bench.digitiser, none.key)
        yield Problem(files.bench, f"digitiser.{none.key}", shown(value), f"{what}: {none}")
