"""A look at a unit between its hours of work: offset, and its gain at 10 mV beside that at a small power. Pure.

A contact with a film, or a stage without enough idle current, gives less of a small signal than of a larger one.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.uncertainty import Part, difference
from sequencer.measurements.gain import Tone as GainTone
from sequencer.measurements.gain import seen_tone
from sequencer.measurements.heating import Tone
from sequencer.measurements.output_offset import NO_DRIVE_V, Offset, offset_of, silence, silent_part
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Fire, Purpose, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import ValueJob, expanded, shot_of
from sequencer.plan.estimate_endurance import LOOK_BURSTS
from sequencer.plan.estimate_heat import HEATING_HZ

COLD, AFTER = "cold", "after work"
SMALL_VRMS = 0.010  # at the output
RANGE_MARGINS = (2.0, 8.0)  # of what stands there without a signal and the tone's crest together


@dataclass(frozen=True)
class Less:
    """Gain at 10 mV less that at the small power, dB, None where one was not seen; and its expanded uncertainty: the
    two have ranges of their own."""

    db: float | None
    expanded_db: float | None = None
    reason: str | None = None


@dataclass(frozen=True)
class Look:
    """when: "cold" or "after work"; cycle: from 1. By channel: offset, gain at the small power (dB, None: not seen),
    and what the gain at 10 mV lacks of it. overloaded: channels whose offset no range holds."""

    cycle: int
    when: str
    celsius: Mapping[str, float]
    offsets: Mapping[str, Offset]
    gain_db: Mapping[str, float | None]
    less: Mapping[str, Less]
    shots: int
    overloaded: tuple[str, ...] = field(default=())


def look(job: ValueJob, small: Tone, cycle: int, when: str) -> Generator[Request, Reply, Look]:
    """In silence, at 10 mV, at the small power; and the heat sinks. Nothing is fired on top of an offset that forbids
    it."""
    yield Rest(job.rest_s)
    quiet, shots = yield from silence(job)
    yield Rest(job.rest_s)
    over = tuple(c.name for c in job.channels if quiet.records[c.input].overloaded)
    offsets = {c.name: offset_of(job, c, quiet.records[c.input]) for c in job.channels}
    if over or any(abs(one.volts) > NO_DRIVE_V for one in offsets.values()):
        reading = yield from _read()
        none = dict.fromkeys(offsets, Less(None, reason="not driven, because of an offset"))
        return Look(cycle, when, reading, offsets, dict.fromkeys(offsets), none, shots, over)
    at_small_power = yield from _burst(job, small.level_vrms, small.scales, "endurance")
    least, fired = yield from _at_ten_millivolts(job, small, quiet)
    reading = yield from _read()
    high = {c.name: _gain(c, at_small_power) for c in job.channels}
    low = {c.name: _gain(c, least) for c in job.channels}
    return Look(
        cycle,
        when,
        reading,
        offsets,
        {name: one.gain_db for name, one in high.items()},
        {name: _less(low[name], high[name]) for name in high},
        shots + fired + 1,
    )


def _read() -> Generator[Request, Reply, Mapping[str, float]]:
    """Heat sinks, degC by channel."""
    reading = yield ReadBench()
    assert isinstance(reading, BenchReading)
    return reading.heatsink_c


def _burst(
    job: ValueJob, level: float, scales: Mapping[str, float], purpose: Purpose
) -> Generator[Request, Reply, Shot]:
    shot = shot_of((yield Fire(level, HEATING_HZ, LOOK_BURSTS, scales, purpose)))
    yield Rest(job.rest_s)
    return shot


def _at_ten_millivolts(job: ValueJob, small: Tone, quiet: Shot) -> Generator[Request, Reply, tuple[Shot, int]]:
    """On ranges that just hold it with offset, hum and noise; once more on wider ones where one overloads."""
    level = min(small.level_vrms * SMALL_VRMS / math.sqrt(small.power_w[c.name] * c.load_ohm) for c in job.channels)
    there_v = {c.input: float(np.abs(silent_part(quiet.records[c.input])).max()) for c in job.channels}
    fired = 0
    for margin in RANGE_MARGINS:
        scales = {
            name: min(margin * (volts + math.sqrt(2.0) * SMALL_VRMS), job.limits.largest_range_v)
            for name, volts in there_v.items()
        }
        shot = yield from _burst(job, level, scales, "gain")
        fired += 1
        if not any(record.overloaded for record in shot.records.values()):
            break
    return shot, fired


def _gain(channel: ChannelJob, shot: Shot) -> GainTone:
    overloaded = shot.records[channel.input].overloaded
    return GainTone(HEATING_HZ, None) if overloaded else seen_tone(channel, shot, HEATING_HZ)


def _less(low: GainTone, high: GainTone) -> Less:
    if high.gain_db is None:
        return Less(None, reason="no output seen at the small power")
    if low.gain_db is None:
        return Less(None, reason="no output seen above the noise at 10 mV")
    parts: tuple[Part, ...] = difference(low.parts, high.parts)
    return Less(low.gain_db - high.gain_db, expanded(parts)[0])
