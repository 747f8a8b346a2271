"""What the measurements of single values share: their job, their values, what they find. Pure."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.uncertainty import Part, combined_u, coverage_factor
from sequencer.measurements.power_job import ChannelJob, LevelLimits
from sequencer.measurements.requests import Reply, Request, Shot
from sequencer.plan.models import Bay, Bench, Unit
from sequencer.plan.points import ValuePoint


@dataclass(frozen=True)
class Expected:
    """What the unit's file says of it. offset_within_v: V, either sign; idle_window_a: A, None where it says
    nothing."""

    offset_within_v: float = 0.02
    idle_window_a: tuple[float, float] | None = None


@dataclass(frozen=True)
class Context:
    """What is declared of unit, bench and bay, and the rows of this unit's finished points, as the results have
    them. last_drive_ns: bench clock at the end of the last burst above a harmless level; None before any. two_tones:
    whether the bench's generator plays two tones at once. drive_unknown: None says nothing, since another process began
    the run. meter_reads_ohms: whether the bench has a meter that does.
    """

    unit: Unit
    bench: Bench
    bay: Bay
    earlier: tuple[Mapping[str, Any], ...] = ()
    last_drive_ns: int | None = None
    two_tones: bool = False
    drive_unknown: bool = False
    meter_reads_ohms: bool = False


@dataclass(frozen=True)
class ValueJob:
    """One point of single values. offset_parts: per channel, of the digitiser input's offset, V at the unit.

    rest_s: silence after a burst, s. context: None only where a test needs none.
    """

    point: ValuePoint
    channels: tuple[ChannelJob, ...]
    limits: LevelLimits
    offset_parts: Mapping[str, Part]
    expected: Expected
    rest_s: float
    context: Context | None = None

    @property
    def around(self) -> Context:
        """The context. Raises ValueError where the job was built without one."""
        if self.context is None:
            raise ValueError("this measurement needs to know unit, bench and bay")
        return self.context


@dataclass(frozen=True)
class Value:
    """One row of a point's values, in the keys of the results. frequency_hz: of the tone, where there was one. low,
    high: the limits of the unit's file that it was held against."""

    name: str
    value: float | None
    unit: str
    channel: str | None = None
    expanded_uncertainty: float | None = None
    coverage_factor: float | None = None
    judgement: str | None = None
    reason: str | None = None
    frequency_hz: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Finding:
    """What a person should know, and what to do next. channel: None where it is the whole unit's."""

    kind: str
    sentence: str
    next_action: str
    channel: str | None = None


@dataclass(frozen=True)
class Values:
    """What came of one point. reason: why nothing was measured. kept: shots worth a trace, by what they are.

    no_drive: why this unit must get no signal from here on. no_power: why it is switched off and nothing more is
    measured. trip: why it must be made safe at once, trip_rule: the rule of safety that says so. extra: further keys
    of the point's row.
    """

    values: tuple[Value, ...] = ()
    findings: tuple[Finding, ...] = ()
    shots: int = 0
    reason: str | None = None
    no_drive: str | None = None
    no_power: str | None = None
    trip: str | None = None
    trip_rule: str | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)
    kept: tuple[tuple[str, Shot], ...] = ()


ValueTalk = Generator[Request, Reply, Values]


def expanded(parts: Sequence[Part]) -> tuple[float | None, float | None]:
    """Expanded uncertainty at 95 % and its factor (JCGM 100, 6.2); None where nothing is known of it."""
    combined = combined_u(parts)
    if combined <= 0.0:
        return None, None
    factor = coverage_factor(parts)
    return factor * combined, factor


def scatter(readings: Sequence[float], id: str) -> Part:
    """Of the mean of equal readings: s / sqrt(n), n - 1 degrees of freedom (JCGM 100, 4.2.3). Needs two."""
    n = len(readings)
    mean = sum(readings) / n
    squares = sum((one - mean) ** 2 for one in readings)
    return Part(id, math.sqrt(squares / (n - 1) / n), "normal", n - 1)


def near(value: float, limit: float, expanded_u: float | None) -> str:
    """The words that belong to a judgement nearer to its limit than its uncertainty; else nothing."""
    return ", nearer to it than the uncertainty" if expanded_u and abs(value - limit) < expanded_u else ""


def beyond(value: float, limit: float, expanded_u: float | None) -> bool:
    """Above the limit by more than its uncertainty: only then is something wrong proved, and told (the guarded
    rejection of JCGM 106, 8.3, and of ISO 14253-1; both from memory). On a sound unit the bench's own error may lie
    in between."""
    return value - (expanded_u or 0.0) > limit


def shot_of(reply: Reply) -> Shot:
    """The reply to a burst. Raises TypeError for any other."""
    if not isinstance(reply, Shot):
        raise TypeError(f"a burst is answered by a Shot, not by {type(reply).__name__}")
    return reply
