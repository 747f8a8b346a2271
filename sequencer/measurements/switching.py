"""Switches the unit under test off and on again in the middle of a point: by its remote line, else by its supply.
Pure."""

from __future__ import annotations

from collections.abc import Generator

from sequencer.measurements.recovery import has_remote
from sequencer.measurements.requests import ReadBench, Remote, Reply, Request, Rest, SetSupply
from sequencer.measurements.values import ValueJob
from sequencer.plan.estimate_checks import INRUSH_S

OFF_S = 5.0  # of the remote line: what a unit holds is gone by then (common practice, no source)


def switched_by(job: ValueJob) -> str:
    return "its remote line" if has_remote(job) else "its supply"


def off_s(job: ValueJob) -> float:
    """How long it is left off: what it stored must be gone."""
    return OFF_S if has_remote(job) else max(OFF_S, job.around.unit.bleed_s)


def on_request(job: ValueJob) -> Request:
    """What switches it on."""
    return Remote(True) if has_remote(job) else SetSupply(job.point.supply_v, most_a(job))


def most_a(job: ValueJob) -> float:
    """Current limit of a unit that works."""
    return min(job.around.unit.supply_a_max, job.around.bench.ceiling.supply_a)


def off(job: ValueJob) -> Generator[Request, Reply, None]:
    """Off, and so long that nothing of it is left."""
    yield Remote(False) if has_remote(job) else SetSupply(job.point.supply_v, most_a(job), on=False)
    yield Rest(off_s(job))


def on(job: ValueJob) -> Generator[Request, Reply, None]:
    """On, past inrush and mute."""
    yield on_request(job)
    yield from settle(job)


def settle(job: ValueJob) -> Generator[Request, Reply, None]:
    """Past inrush and mute of a unit that was just switched on. Reading the supply clears what the inrush latched."""
    yield Rest(INRUSH_S)
    yield ReadBench()
    yield Rest(job.around.unit.mute_s)
