"""`crosstalk`: one channel is driven; what shows at the outputs of the others, at the tone, over what it gives.

All outputs keep their loads. The bay must have a contact for the input of each channel. The tone is fitted in the
undriven channel's record on a range of its own; what lies below the floor of that record is "below floor". Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.uncertainty import Part, difference
from sequencer.measurements.bench_inputs import LEAST_SEEN_STEPS, SEEN_FACTOR, ToneSeen, second_half
from sequencer.measurements.gain import DB_OF_RATIO
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Fire, Inputs, Reply, Request, Rest, Shot
from sequencer.measurements.small_tones import LOWER, RANGE_FACTOR, power_of, reference_of
from sequencer.measurements.tone_bursts import LIMITED, prove
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.points import hertz
from sequencer.plan.window import GAIN_HARMONICS, gain_cycles

UNDRIVEN_DB = (-46.0, -20.0, 6.0)  # of the driven crest, tried as ranges of the undriven input
MUCH_DB = -40.0  # common practice, no source
NO_CONTACTS = "the bay has no contact for the input of each channel: none can be driven alone"
ONE_CHANNEL = "crosstalk needs two channels"
NOT_SEEN = "the driven channel's own output is not seen"
LEAD = "Look at input leads and grounds near each other, then at the supply that both channels share"
CONTACT = "Look first whether the contact of its input really opens"


@dataclass(frozen=True)
class Over:
    """From one channel to another at one tone. db None: below floor_db."""

    driven: str
    other: str
    frequency_hz: float
    db: float | None
    floor_db: float
    parts: tuple[Part, ...]


@dataclass
class _Course:
    found: list[Over] = field(default_factory=list)
    missed: list[tuple[str, float, str]] = field(default_factory=list)
    shots: int = 0
    ended: str | None = None


def crosstalk(job: ValueJob) -> ValueTalk:
    """Channel by channel, tone by tone, at the small power; both inputs are driven again at the end."""
    contacts = job.around.bay.input_contacts
    if len(job.channels) < 2 or not {c.name for c in job.channels} <= set(contacts):
        return Values(reason=ONE_CHANNEL if len(job.channels) < 2 else NO_CONTACTS)
    gains = yield from prove(job, reference_of(job.point.frequencies_hz))
    if isinstance(gains, str):
        return Values(shots=1, reason=gains)
    course = _Course(shots=1)
    for driven in job.channels:
        yield Inputs((driven.name,))
        yield Rest(job.rest_s)
        level = math.sqrt(power_of(job) * driven.load_ohm) / ratio(gains[driven.name])
        for hz in sorted(job.point.frequencies_hz):
            if course.ended is None:
                yield from _tone(job, driven, hz, min(level, job.limits.generator_vrms), course)
        if course.ended is not None:
            break
    yield Inputs(None)
    return _values(job, course)


def _tone(
    job: ValueJob, driven: ChannelJob, hz: float, level: float, course: _Course
) -> Generator[Request, Reply, None]:
    shot = yield from _fire(job, driven, hz, level, course)
    if course.ended is not None:
        return
    if any(record.overloaded for record in shot.records.values()):
        course.missed.append((driven.name, hz, "the digitiser overloads: check probe and gain"))
        return
    own = second_half(shot.records[driven.input], hz, shot.request.cycles)
    if not own.seen:
        course.missed.append((driven.name, hz, NOT_SEEN))
        return
    for other in job.channels:
        if other is not driven:
            seen = second_half(shot.records[other.input], hz, shot.request.cycles)
            course.found.append(_over(driven, other, hz, own, seen))


def _fire(
    job: ValueJob, driven: ChannelJob, hz: float, level: float, course: _Course
) -> Generator[Request, Reply, Shot]:
    """Where the driven record overloads, again 12 dB lower; where another one does, again on a wider range."""
    crest_v = math.sqrt(2.0 * power_of(job) * driven.load_ohm)
    lower, wider = iter(LOWER), iter(UNDRIVEN_DB)
    part, db = next(lower), next(wider)
    while True:
        quiet_v = crest_v * ratio(db)
        scales = {c.input: RANGE_FACTOR * crest_v if c is driven else quiet_v for c in job.channels}
        scales = {name: min(volts, job.limits.largest_range_v) for name, volts in scales.items()}
        request = Fire(part * level, hz, gain_cycles(hz), scales, "response", harmonics=GAIN_HARMONICS)
        shot = shot_of((yield request))
        course.shots += 1
        yield Rest(job.rest_s)
        if shot.supply_limited or shot.supply_tripped:
            course.ended = LIMITED
            return shot
        if shot.records[driven.input].overloaded:
            part = next(lower, 0.0)
        elif any(record.overloaded for record in shot.records.values()):
            db = next(wider, math.inf)
        else:
            return shot
        if part == 0.0 or math.isinf(db):
            return shot


def _over(driven: ChannelJob, other: ChannelJob, hz: float, own: ToneSeen, seen: ToneSeen) -> Over:
    floor_v = max(SEEN_FACTOR * seen.noise_v, LEAST_SEEN_STEPS * seen.record.step_v)
    floor_db = 20.0 * math.log10(floor_v / own.rms_v)
    if not seen.seen:
        return Over(driven.name, other.name, hz, None, floor_db, ())
    parts = difference(_parts(other, seen, "noise of the undriven"), _parts(driven, own, "noise of the driven"))
    return Over(driven.name, other.name, hz, 20.0 * math.log10(seen.rms_v / own.rms_v), floor_db, parts)


def _parts(channel: ChannelJob, seen: ToneSeen, noise: str) -> list[Part]:
    """dB."""
    volts = [s for s in channel.sources_on(seen.record.full_scale_v) if s.of == "voltage"]
    return [
        Part(noise, DB_OF_RATIO * seen.relative_noise),
        *(Part(s.id, DB_OF_RATIO * s.standard, s.kind) for s in volts),
    ]


def _values(job: ValueJob, course: _Course) -> Values:
    hangs = job.around.bay.undriven_input or "not said by the bench's file"
    values = [_value(one, hangs) for one in course.found]
    values += [
        Value(f"crosstalk from {name}", None, "dB", judgement="not measured", reason=why, frequency_hz=hz)
        for name, hz, why in course.missed
    ]
    reason = None if course.found else course.ended or next((why for _, _, why in course.missed), NOT_SEEN)
    return Values(
        values=tuple(values),
        findings=tuple(_findings(course)),
        shots=course.shots,
        reason=reason,
        extra={"crosstalk": _row(job, course, hangs)},
    )


def _value(one: Over, hangs: str) -> Value:
    name = f"crosstalk from {one.driven}, {hertz(one.frequency_hz)}"
    ended = f"input of {one.other}: {hangs}"
    if one.db is None:
        reason = f"less than {one.floor_db:.0f} dB; {ended}"
        return Value(name, None, "dB", one.other, None, None, "below floor", reason, one.frequency_hz)
    expanded_db, factor = expanded(one.parts)
    reason = f"floor {one.floor_db:.0f} dB; {ended}"
    return Value(name, one.db, "dB", one.other, expanded_db, factor, None, reason, one.frequency_hz)


def _findings(course: _Course) -> Iterator[Finding]:
    """Once for each pair, where it is most."""
    worst: dict[tuple[str, str], Over] = {}
    for one in course.found:
        key = (one.driven, one.other)
        if one.db is not None and (key not in worst or one.db > (worst[key].db or -math.inf)):
            worst[key] = one
    for one in worst.values():
        if one.db is not None and beyond(one.db, MUCH_DB, expanded(one.parts)[0]):
            sentence = f"crosstalk from {one.driven} {one.db:.1f} dB at {hertz(one.frequency_hz)}"
            yield Finding("crosstalk", sentence, CONTACT if one.db > -6.0 else LEAD, one.other)


def _row(job: ValueJob, course: _Course, hangs: str) -> Mapping[str, Any]:
    return {
        "power_w": power_of(job),
        "undriven_input": hangs,
        "tones": [
            {
                "driven": one.driven,
                "channel": one.other,
                "frequency_hz": one.frequency_hz,
                "db": one.db,
                "floor_db": one.floor_db,
            }
            for one in course.found
        ],
    }
