"""`output_offset`: DC at each output without signal, as the mean of 0.2 s.

The digitiser knows an external trigger only, so the generator fires one cycle at its least level; the record after
it is what is read (see `Quiet`). 0.2 s are whole cycles of 50 and of 60 Hz: hum leaves the mean alone. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.records import Record, Volts
from sequencer.analysis.uncertainty import DEVIATION, Part
from sequencer.measurements.idle_watch import IdleWatch
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Quiet, Reply, Request, Rest, Shot
from sequencer.measurements.states import State, reach
from sequencer.measurements.values import (
    Finding,
    Value,
    ValueJob,
    Values,
    ValueTalk,
    beyond,
    expanded,
    near,
    scatter,
    shot_of,
)
from sequencer.plan.window import SILENCE_READ_S, TRIGGER_CYCLES, TRIGGER_HZ, TRIGGER_PAST_S

SCALES_V = (0.5, 5.0)  # at the unit; then the largest range: a small offset needs a small one
OUTSIDE_V = 0.05  # common practice, no source
NO_DRIVE_V = 0.1  # common practice, no source
BLOCKS = 10  # of whole mains cycles: 20 ms each
REPAIR = "Find the cause (input stage, coupling capacitor, protection) before the unit is driven or meets a loudspeaker"
MEASURE_AGAIN = "Measure again warm; adjust or repair if it stays"
WARM_REPAIR = "Look for a leaking or mismatched input pair, or a part that heat moves; freeze spray finds it"


@dataclass(frozen=True)
class Offset:
    """One channel's mean, V, with its uncertainty (expanded, 95 %, V).

    change_expanded_v: of its change against another reading like it: both hold the same offset of the input.
    """

    channel: str
    volts: float
    expanded_v: float | None
    factor: float | None
    change_expanded_v: float | None


def output_offset(job: ValueJob) -> ValueTalk:
    """Offset of each channel, judged: within the unit's own bound, doubtful above it, outside above 50 mV; the latter
    two only where it is above by more than its uncertainty, most of which is the digitiser's own offset.

    Above 100 mV the unit must not be driven: a signal on top of it tells nothing, and heats what is broken. Here the
    reading counts as it stands: what cannot be told from such an offset is not driven either.
    """
    watch = IdleWatch(job)
    yield Rest(job.rest_s)
    state = yield from reach(watch)
    if watch.ended:
        findings, reason = tuple(watch.findings), watch.trip or watch.no_drive
        return Values((), findings, 0, reason, watch.no_drive, trip=watch.trip, trip_rule=watch.trip_rule)
    shot, shots = yield from silence(job)
    if any(record.overloaded for record in shot.records.values()):
        return _beyond(shots)
    seen = [offset_of(job, one, shot.records[one.input]) for one in job.channels]
    return Values(
        values=tuple(_value(job, one, state) for one in seen),
        findings=(*watch.findings, *(f for one in seen for f in _findings(job, one))),
        shots=shots,
        no_drive=_no_drive(seen),
        kept=(("quiet", shot),),
    )


def _beyond(shots: int) -> Values:
    sentence = "offset beyond the digitiser's largest range"
    finding = Finding("no drive", f"{sentence}: the unit is not driven", REPAIR)
    return Values(findings=(finding,), shots=shots, reason=sentence, no_drive=f"not driven: {sentence}")


def silence(job: ValueJob) -> Generator[Request, Reply, tuple[Shot, int]]:
    """The first record that is not overloaded, on wider and wider ranges; else the last."""
    largest_v = job.limits.largest_range_v
    scales = [*(volts for volts in SCALES_V if volts < largest_v), largest_v]
    shots = 0
    for volts in scales:
        shot = shot_of((yield Quiet(SILENCE_READ_S, {c.input: volts for c in job.channels})))
        shots += 1
        if not any(record.overloaded for record in shot.records.values()):
            break
        yield Rest(job.rest_s)
    return shot, shots


def silent_part(record: Record) -> Volts:
    """The samples that count, shape (n,), V: 0.2 s from the end of the trigger's burst and its echo on."""
    times = record.times_s
    start_s = TRIGGER_CYCLES / TRIGGER_HZ + TRIGGER_PAST_S
    return record.volts[(times >= start_s) & (times < start_s + SILENCE_READ_S)]


def offset_of(job: ValueJob, channel: ChannelJob, record: Record) -> Offset:
    volts = silent_part(record)
    mean_v = float(volts.mean())
    gains = [
        Part(s.id, mean_v * s.standard, s.kind) for s in channel.sources_on(record.full_scale_v) if s.of == "voltage"
    ]
    converter = Part(f"step:{channel.input}", record.step_v / 2.0 * DEVIATION["rectangular"], "rectangular")
    noise = scatter([float(block.mean()) for block in np.array_split(volts, BLOCKS)], "noise")
    own = [converter, noise, *gains]
    expanded_v, factor = expanded([job.offset_parts[channel.name], *own])
    alone_v, _ = expanded(own)
    return Offset(channel.name, mean_v, expanded_v, factor, math.sqrt(2.0) * alone_v if alone_v else None)


def _value(job: ValueJob, seen: Offset, state: State) -> Value:
    judgement, reason = judged(seen.volts, seen.expanded_v, job.expected.offset_within_v)
    notes = [reason, *([state.note] if state.note else [])]
    return Value(
        name=f"offset, {job.point.wait}",
        channel=seen.channel,
        value=seen.volts,
        unit="V",
        expanded_uncertainty=seen.expanded_v,
        coverage_factor=seen.factor,
        judgement=judgement,
        reason="; ".join(notes),
        low=-job.expected.offset_within_v,
        high=job.expected.offset_within_v,
    )


def judged(volts: float, expanded_v: float | None, within_v: float) -> tuple[str | None, str]:
    """Judgement and what it was held against. What is neither within nor proved outside is not judged."""
    size, outside_v = abs(volts), max(within_v, OUTSIDE_V)
    if size <= within_v:
        return "within", f"at most {_mv(within_v)}{near(size, within_v, expanded_v)}"
    if beyond(size, outside_v, expanded_v):
        return "outside", f"at most {_mv(outside_v)}"
    if not beyond(size, within_v, expanded_v):
        return None, f"above {_mv(within_v)}{near(size, within_v, expanded_v)}"
    above = size > outside_v
    second = f"{'' if above else 'not '}above {_mv(outside_v)}{near(size, outside_v, expanded_v)}"
    return None, f"doubtful: above {_mv(within_v)}, {second}"


def _findings(job: ValueJob, seen: Offset) -> list[Finding]:
    """As found it is an offset; where heat brings it, or more than the bound of it, it is told as that."""
    within_v = job.expected.offset_within_v
    found = _finding(seen, within_v)
    cold_v = None if job.point.wait == "cold" else _cold_v(job, seen.channel)
    if cold_v is None or (found is not None and found.kind == "no drive"):
        return [found] if found else []
    if not _grown(seen, cold_v, within_v) and (found is None or abs(cold_v) > within_v):
        return [found] if found else []
    sentence = found.sentence if found else f"offset {_mv(seen.volts)}, above {_mv(within_v)}"
    sentence = f"{sentence}; it was {_mv(cold_v)} cold, and now the unit is {job.point.wait}"
    return [Finding("offset warm", sentence, WARM_REPAIR, seen.channel)]


def _grown(seen: Offset, cold_v: float, within_v: float) -> bool:
    """By more than the bound, to above it. What heat adds is known better than the offset itself, as the input's own
    is in both readings: it may be proved where the offset is not yet."""
    larger = abs(seen.volts) > max(within_v, abs(cold_v))
    return larger and beyond(abs(seen.volts - cold_v), within_v, seen.change_expanded_v)


def _finding(seen: Offset, within_v: float) -> Finding | None:
    size = abs(seen.volts)
    if size > NO_DRIVE_V:
        sentence = f"offset {_mv(seen.volts)}, above {_mv(NO_DRIVE_V)}: the unit is not driven"
        return Finding("no drive", sentence, REPAIR, seen.channel)
    outside_v = max(within_v, OUTSIDE_V)
    if beyond(size, outside_v, seen.expanded_v):
        return Finding("offset outside", f"offset {_mv(seen.volts)}, above {_mv(outside_v)}", REPAIR, seen.channel)
    if beyond(size, within_v, seen.expanded_v):
        sentence = f"offset {_mv(seen.volts)}, above {_mv(within_v)}: doubtful"
        return Finding("offset doubtful", sentence, MEASURE_AGAIN, seen.channel)
    return None


def _cold_v(job: ValueJob, channel: str) -> float | None:
    """The same channel's offset as it was read cold in this run, V."""
    rows = job.context.earlier if job.context else ()
    cold = (v for row in rows for v in row.get("values") or () if v["name"] == "offset, cold")
    return next((v["value"] for v in cold if v["channel"] == channel), None)


def _no_drive(seen: list[Offset]) -> str | None:
    worst = max(seen, key=lambda one: abs(one.volts))
    if abs(worst.volts) <= NO_DRIVE_V:
        return None
    return f"not driven: the offset of channel {worst.channel} was {_mv(worst.volts)}, above {_mv(NO_DRIVE_V)}"


def _mv(volts: float) -> str:
    return f"{1000.0 * volts:.3g} mV"
