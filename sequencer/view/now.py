"""What a night is doing at this moment, from what a listener hears. Pure: each function returns the next state."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from sequencer.measurements.requests import BenchReading, Reply, Request, Rest, Shot
from sequencer.night.setup import UnitRun
from sequencer.plan.points import AnyPoint


@dataclass(frozen=True)
class Now:
    """number, of: the run's place in the night, from 1. night_at: RFC 3339, when its first run began; bench_s: s since.

    points: those now measured, which is one, or those of one search that differ in the limit. shot: the last one.
    supply: V, A, as last read; heatsink_c: degC per channel, as last read.
    """

    run: UnitRun | None = None
    number: int = 0
    of: int = 0
    night_at: str = ""
    bench_s: float = 0.0
    points: tuple[AnyPoint, ...] = ()
    shot: Shot | None = None
    supply: tuple[float, float] | None = None
    heatsink_c: Mapping[str, float] = field(default_factory=dict)


def begun(now: Now, run: UnitRun, number: int, of: int, at: str) -> Now:
    """Another unit: nothing that was read of the one before is true of it."""
    first = now.night_at or at
    return Now(run, number, of, first, max(now.bench_s, _between_s(first, at)))


def at_point(now: Now, run: UnitRun, point: AnyPoint) -> Now:
    """Points of one group are searched together and stay in view together."""
    together = tuple(p for p in run.points if p.group == point.group)
    return now if now.points == together else replace(now, points=together, shot=None)


def heard(now: Now, request: Request, reply: Reply) -> Now:
    match reply:
        case Shot():
            later = max(now.bench_s, reply.fired_at_ns / 1e9)
            return replace(now, bench_s=later, shot=reply, supply=_supply(reply.supply_v, reply.supply_a))
        case BenchReading():
            later = max(now.bench_s, reply.at_ns / 1e9)
            seen = dict(reply.heatsink_c) or now.heatsink_c
            return replace(now, bench_s=later, supply=_supply(reply.supply_v, reply.supply_a), heatsink_c=seen)
    return replace(now, bench_s=now.bench_s + request.seconds) if isinstance(request, Rest) else now


def _supply(volts: float, amps: float) -> tuple[float, float] | None:
    """None where nothing reads it."""
    return None if math.isnan(volts) or math.isnan(amps) else (volts, amps)


def kept(now: Now, row: Mapping[str, Any]) -> Now:
    """Heat sinks are read once more when a point is over."""
    return replace(now, heatsink_c=row.get("heatsink_c") or now.heatsink_c)


def ended(now: Now, at: str) -> Now:
    return replace(now, points=(), shot=None, bench_s=max(now.bench_s, _between_s(now.night_at, at)))


def _between_s(first: str, then: str) -> float:
    """s between two stamps; 0 where one is none: a view is no reason to end a night."""
    try:
        return (datetime.fromisoformat(then) - datetime.fromisoformat(first)).total_seconds()
    except (TypeError, ValueError):
        return 0.0
