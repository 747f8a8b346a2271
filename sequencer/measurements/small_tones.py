"""Gain of every channel over many tones at a small stated power: what response, balance and crosstalk share. Pure.

The level is that of the reference tone wherever the response falls; where it rises, the level follows what the
neighbouring tone showed, so that no tone is much louder than stated.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field

from sequencer.measurements.gain import Tone, seen_tone
from sequencer.measurements.requests import Fire, Reply, Request, Rest, Shot
from sequencer.measurements.tone_bursts import LIMITED, prove
from sequencer.measurements.values import ValueJob, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_response import RISES, longest_s, small_power_w
from sequencer.plan.window import GAIN_HARMONICS, gain_cycles

REFERENCE_HZ = 1000.0
RANGE_FACTOR = 2.0  # of the crest expected: 6 dB more is seen
LOWER = (1.0, 0.25)  # of the level, where a record overloads


@dataclass
class SmallTones:
    """seen: channel -> tones, rising; reason: why nothing, or not all, was measured."""

    power_w: float
    reference_hz: float
    seen: dict[str, list[Tone]]
    levels_vrms: dict[float, float] = field(default_factory=dict)
    shots: int = 0
    reason: str | None = None

    def tones_hz(self) -> list[float]:
        return sorted(self.levels_vrms)

    def at(self, channel: str, frequency_hz: float) -> Tone:
        return next(tone for tone in self.seen[channel] if tone.frequency_hz == frequency_hz)


def reference_of(tones_hz: Sequence[float]) -> float:
    """1 kHz, or the tone nearest to it."""
    return min(tones_hz, key=lambda hz: abs(math.log(hz / REFERENCE_HZ)))


def power_of(job: ValueJob) -> float:
    """The small power, W of one channel: what is stated, and well within the crest and joules that are allowed, should
    the next tone rise."""
    limits, point = job.limits, job.point
    crest_w = limits.output_crest_v**2 / 2.0 / max(c.load_ohm for c in job.channels)
    most_w = min(crest_w, limits.burst_j / longest_s(point)) / RISES
    return min(small_power_w(point, job.around.unit, job.around.bench), most_w)


def small_tones(job: ValueJob) -> Generator[Request, Reply, SmallTones]:
    """From the reference outwards, first up, then down. It stops where the digitiser overloads twice over, or where
    the supply limits."""
    tones_hz = sorted(job.point.frequencies_hz)
    reference_hz = reference_of(tones_hz)
    found = SmallTones(power_of(job), reference_hz, {c.name: [] for c in job.channels})
    proved = yield from prove(job, reference_hz)
    found.shots += 1
    if isinstance(proved, str):
        found.reason = proved
        return found
    upwards = [hz for hz in tones_hz if hz >= reference_hz]
    downwards = [hz for hz in reversed(tones_hz) if hz < reference_hz]
    for way in (upwards, downwards):
        near = proved
        for hz in way:
            level = level_vrms(job, found.power_w, proved, near)
            shot = yield from fire_small(job, hz, level, found)
            if shot is None:
                return found
            found.levels_vrms[hz] = shot.level_vrms
            for channel in job.channels:
                found.seen[channel.name].append(seen_tone(channel, shot, hz))
            near = _gains(job, found, hz, proved)
    for tones in found.seen.values():
        tones.sort(key=lambda tone: tone.frequency_hz)
    return found


def level_vrms(job: ValueJob, power_w: float, proved: Mapping[str, float], near: Mapping[str, float]) -> float:
    """At the generator: no channel is to give more than power_w by the higher of two gains, dB."""
    level = min(math.sqrt(power_w * c.load_ohm) / ratio(max(proved[c.name], near[c.name])) for c in job.channels)
    return min(level, job.limits.generator_vrms)


def fire_small(
    job: ValueJob, frequency_hz: float, level: float, found: SmallTones
) -> Generator[Request, Reply, Shot | None]:
    """One tone; one that overloads is void, and is repeated 12 dB lower. None: reason says why."""
    crest_v = math.sqrt(2.0 * found.power_w)
    scales = {
        c.input: min(RANGE_FACTOR * crest_v * math.sqrt(c.load_ohm), job.limits.largest_range_v) for c in job.channels
    }
    for part in LOWER:
        request = Fire(
            part * level, frequency_hz, gain_cycles(frequency_hz), scales, "response", harmonics=GAIN_HARMONICS
        )
        shot = shot_of((yield request))
        found.shots += 1
        yield Rest(job.rest_s)
        if shot.supply_limited or shot.supply_tripped:
            found.reason = LIMITED
            return None
        if not any(record.overloaded for record in shot.records.values()):
            return shot
    found.reason = "the digitiser overloads even 12 dB lower: check probe and gain"
    return None


def _gains(job: ValueJob, found: SmallTones, frequency_hz: float, proved: Mapping[str, float]) -> dict[str, float]:
    gains = {c.name: found.at(c.name, frequency_hz).gain_db for c in job.channels}
    return {name: proved[name] if gain_db is None else gain_db for name, gain_db in gains.items()}
