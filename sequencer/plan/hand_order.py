"""Running order on a bench where a person connects every load: the unit is off for each change, and somebody walks.

Power points of stages that follow one another are run load by load, from high to low ohms as ever; all else stays in
its place, since what comes before a soak or a protection is part of it. A point whose stage names no load, and which
drives nothing or harmlessly, takes whatever hangs there. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import groupby, pairwise

from sequencer.plan.models import Bench, Plan
from sequencer.plan.points import AnyPoint, Point, ValuePoint

ANY_LOAD = frozenset({"first_power", "bench_check", "output_offset", "idle_current", "idle_adjustment"})
ANY_LOAD |= frozenset({"gain", "noise"})
Hangs = tuple[str, tuple[str, ...]]  # load, and on which channels


def fewest_changes(points: Sequence[AnyPoint], plan: Plan, bench: Bench) -> tuple[AnyPoint, ...]:
    """The same points, numbered in their new order; as they are where any load is switched."""
    if not bench.load or not all(load.by_hand for load in bench.load.values()):
        return tuple(points)
    ordered: list[AnyPoint] = []
    for block in _blocks(points):
        last = ordered[-1] if ordered else None
        ordered += _load_by_load(block, bench, None if last is None else (last.load, last.channels))
    return tuple(_numbered(_with_what_hangs_there(ordered, plan, bench)))


def changes(points: Sequence[AnyPoint]) -> int:
    """How often something is connected, or taken off, between two points."""
    hangs = [(one.load, one.channels) for one in points]
    return sum(before != after for before, after in pairwise(hangs))


def _blocks(points: Sequence[AnyPoint]) -> Iterator[list[AnyPoint]]:
    """Power points that follow one another, without a control to be set between; every other point by itself."""
    for key, block in groupby(enumerate(points), key=lambda item: _alike(*item)):
        del key
        yield [one for _, one in block]


def _alike(at: int, point: AnyPoint) -> object:
    return (point.by_hand, point.thermal) if isinstance(point, Point) else at


def _load_by_load(block: Sequence[AnyPoint], bench: Bench, hangs: Hangs | None) -> list[AnyPoint]:
    """Stable: within a load all stays in the order of the file. First what hangs there already, then from one channel
    to all of them, which is what most that follows needs. Points of one search stay together."""
    names = [one.load for one in block]
    return sorted(
        block,
        key=lambda one: (
            -bench.load[one.load].nominal_ohm,
            names.index(one.load),
            (one.load, one.channels) != hangs,
            len(one.channels),
            one.channels,
            one.supply_v,
        ),
    )


def _with_what_hangs_there(points: Sequence[AnyPoint], plan: Plan, bench: Bench) -> Iterator[AnyPoint]:
    free = {stage.name for stage in plan.stage if not stage.loads and stage.measurement in ANY_LOAD}
    before: AnyPoint | None = None
    for point in points:
        if (
            before is not None
            and isinstance(point, ValuePoint)
            and point.stage in free
            and point.channels == before.channels
            and set(point.channels) <= set(bench.load[before.load].ohm)
        ):
            point = replace(point, load=before.load)
        before = point
        yield point


def _numbered(points: Iterator[AnyPoint]) -> Iterator[AnyPoint]:
    group, before = 0, None
    for number, point in enumerate(points, start=1):
        if point.group != before:
            group, before = group + 1, point.group
        yield replace(point, id=f"p{number:03d}", group=group)
