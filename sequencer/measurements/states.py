"""The four states in which idle current and offset are read: cold, warm, after drive, cooled. Pure.

Cold is "as found": no waiting. What a wait could not bring about is said, and the value is then not judged.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.measurements.idle_watch import IdleWatch, unsettled, until_warm, watched
from sequencer.measurements.requests import BenchReading, ReadBench, Reply, Request, Rest
from sequencer.measurements.values import ValueJob

AFTER_DRIVE_S = 60.0  # common practice, no source
COOL_C = 40.0  # a point that begins cold begins at most so warm (common practice, no source)
NEAR_START_K = 3.0  # our own judgement
COOLED_AT_MOST_S = 2700.0  # common practice, no source
LOOK_EVERY_S = 30.0


@dataclass(frozen=True)
class State:
    """What became of the wait. settled: it is in the state asked for. note: what a person should know of it."""

    settled: bool
    waited_s: float | None = None
    note: str | None = None


def reach(watch: IdleWatch) -> Generator[Request, Reply, State]:
    """Brings the unit into `watch.job.point.wait`; the watch looks on and may end it."""
    wait = watch.job.point.wait
    if wait == "warm":
        return (yield from _warm(watch))
    if wait == "after drive":
        return (yield from _after_drive(watch.job))
    if wait == "cooled":
        return (yield from _cooled(watch))
    return State(True)


def _warm(watch: IdleWatch) -> Generator[Request, Reply, State]:
    warm_s = yield from until_warm(watch)
    if warm_s is None and not watch.ended:
        watch.findings.append(unsettled(watch))
    note = None if warm_s is not None else f"not settled after {watch.at_s / 60.0:.0f} min"
    return State(warm_s is not None, warm_s, note)


def _after_drive(job: ValueJob) -> Generator[Request, Reply, State]:
    last_ns = job.context.last_drive_ns if job.context else None
    if last_ns is None and job.context and job.context.drive_unknown:
        return State(False, None, "when the unit was last driven is not known: the run was resumed")
    if last_ns is None:
        return State(False, None, "the unit had not been driven")
    now = _bench((yield ReadBench()))
    since_s = (now.at_ns - last_ns) / 1e9
    if since_s < AFTER_DRIVE_S:
        yield Rest(AFTER_DRIVE_S - since_s)
    waited_s = max(since_s, AFTER_DRIVE_S)
    return State(True, waited_s, f"{waited_s:.0f} s after the last burst")


def _cooled(watch: IdleWatch) -> Generator[Request, Reply, State]:
    start_c = first_start_c(watch.job)
    while not watch.ended:
        yield from watched(watch, 1, LOOK_EVERY_S)
        celsius = watch.last.heatsink_c if watch.last else {}
        if not celsius:
            return State(False, watch.at_s, "no thermometer sees the heat sinks")
        if all(is_cool(name, one, start_c) for name, one in celsius.items()):
            return State(True, watch.at_s)
        if watch.at_s >= COOLED_AT_MOST_S:
            hottest = max(celsius.values())
            return State(False, watch.at_s, f"heat sink still at {hottest:.1f} degC after {watch.at_s / 60.0:.0f} min")
    return State(False, watch.at_s, "ended before it had cooled")


def is_cool(name: str, celsius: float, start_c: Mapping[str, float]) -> bool:
    """At most 40 degC, or within 3 K of what it was when this run began: a hot workshop never gets below."""
    return celsius <= COOL_C or (name in start_c and celsius <= start_c[name] + NEAR_START_K)


def first_start_c(job: ValueJob) -> dict[str, float]:
    """Heat sinks when this run began, degC per channel, from its first row; empty where none was read."""
    earlier = job.context.earlier if job.context else ()
    return next((_numbers(row["start_heatsink_c"]) for row in earlier if row.get("start_heatsink_c")), {})


def _numbers(table: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(value) for name, value in table.items() if value is not None}


def _bench(reply: Reply) -> BenchReading:
    assert isinstance(reply, BenchReading)
    return reply
