"""What the measurements of distortion share: a gain proved at a harmless level, then a burst at a known one. Pure."""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.known_limit import Known
from sequencer.measurements.recovery import gains_db
from sequencer.measurements.requests import Fire, Purpose, Reply, Request, Rest, SecondTone, Shot
from sequencer.measurements.values import Value, ValueJob, expanded, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_distortion import WIDEN, burst_rest_s, tone_burst_cycles
from sequencer.plan.points import hertz

PROOF_VRMS = 0.3  # at the output by the file's gain: harmless (common practice, no source)
PROOF_RANGE_FACTOR = 4.0  # up to 12 dB more of gain is seen without overload
AWAY_DB = 6.0
MARGIN = 1.3
GONE_DB = 10.0
OVERLOADS = "the digitiser overloads: check gain and probe"
GONE = "the output went away: a protection"
LIMITED = "the supply went into current limit"
OWN_DISTORTION = "the generator's own distortion is not declared, and is in the figure"


@dataclass(frozen=True)
class Tone:
    """What is fired at one frequency. gain_db: by channel, as proved. second: of a pair, else None."""

    frequency_hz: float
    cycles: int
    harmonics: int
    gain_db: Mapping[str, float]
    purpose: Purpose = "distortion"
    second: SecondTone | None = None

    @property
    def seconds(self) -> float:
        return self.cycles / self.frequency_hz


def prove(job: ValueJob, frequency_hz: float) -> Generator[Request, Reply, dict[str, float] | str]:
    """Gain of each channel, dB, from one harmless burst; or why nothing louder may follow."""
    most = max(ratio(channel.gain_db) for channel in job.channels)
    level = min(PROOF_VRMS / most, job.limits.generator_vrms)
    scale_v = min(math.sqrt(2.0) * PROOF_VRMS * PROOF_RANGE_FACTOR, job.limits.largest_range_v)
    scales = {channel.input: scale_v for channel in job.channels}
    shot = shot_of((yield Fire(level, frequency_hz, tone_burst_cycles(frequency_hz), scales, "gain proof")))
    yield Rest(job.rest_s)
    if any(record.overloaded for record in shot.records.values()):
        return "digitiser overloaded at the harmless level: check probe factor and gain"
    seen = gains_db(job, shot)
    if low := [c.name for c in job.channels if seen[c.name] < c.gain_db - AWAY_DB]:
        return f"gain of channel {', '.join(low)} at {hertz(frequency_hz)} is far below what the file says"
    return seen


def level_for(output_vrms: Mapping[str, float], gain_db: Mapping[str, float]) -> float:
    """Vrms at the generator at which no channel gives more than this."""
    return min(volts / ratio(gain_db[name]) for name, volts in output_vrms.items())


def highest_vrms(job: ValueJob, tone: Tone) -> float:
    """At the generator: its ceiling, and the crest and the joules that are allowed at the output."""
    limits, most = job.limits, [job.limits.generator_vrms]
    crest_v = min(limits.output_crest_v, limits.largest_range_v / MARGIN)
    for channel in job.channels:
        rms_v = min(crest_v / math.sqrt(2.0), math.sqrt(limits.burst_j / tone.seconds * channel.load_ohm))
        most.append(rms_v / ratio(tone.gain_db[channel.name]))
    return min(most)


def beyond_allowed(job: ValueJob, tone: Tone, level_vrms: float) -> str | None:
    """Why this level may not be fired."""
    if level_vrms > highest_vrms(job, tone) * (1.0 + 1e-9):
        return f"{level_vrms:.3g} Vrms would pass what bench, load or unit allow"
    return None


def beyond_known(job: ValueJob, known: Known | None, output_vrms: Mapping[str, float]) -> str | None:
    """Why so many volts may not be asked for: earlier points found that the unit gives less."""
    for channel in job.channels:
        if known is not None and output_vrms[channel.name] > known.output_vrms[channel.name]:
            most_w = known.output_vrms[channel.name] ** 2 / channel.load_ohm
            return f"above the {most_w:.3g} W at which channel {channel.name} reached its limit ({known.words})"
    return None


def fire_tone(job: ValueJob, tone: Tone, level_vrms: float) -> Generator[Request, Reply, tuple[Shot, int]]:
    """(the burst, how many were fired): one that overloads the digitiser is void, and is repeated on a wider range."""
    level = min(level_vrms, job.limits.generator_vrms)  # a product may add one bit, and a ceiling forgives none
    fired = 0
    for widen in WIDEN:
        scales = {
            c.input: min(MARGIN * widen * _crest_v(c.clip_v, level, tone.gain_db[c.name]), job.limits.largest_range_v)
            for c in job.channels
        }
        request = Fire(
            level, tone.frequency_hz, tone.cycles, scales, tone.purpose, harmonics=tone.harmonics, second=tone.second
        )
        shot = shot_of((yield request))
        fired += 1
        yield Rest(_rest_s(job, tone, level))
        if not any(record.overloaded for record in shot.records.values()):
            break
    return shot, fired


def _crest_v(clip_v: float, level_vrms: float, gain_db: float) -> float:
    return min(math.sqrt(2.0) * level_vrms * ratio(gain_db), 1.5 * clip_v)


def _rest_s(job: ValueJob, tone: Tone, level_vrms: float) -> float:
    parts = [(math.sqrt(2.0) * level_vrms * ratio(tone.gain_db[c.name]) / c.clip_v) ** 2 for c in job.channels]
    return burst_rest_s(job.point.rest, job.rest_s, tone.seconds, max(parts))


def gone(tone: Tone, shot: Shot, fundamental_v: Mapping[str, float]) -> str | None:
    """Why nothing louder may follow this burst. fundamental_v: Vrms of the first tone, by channel."""
    if shot.supply_limited or shot.supply_tripped:
        return LIMITED
    for name, volts in fundamental_v.items():
        due_v = shot.level_vrms * shot.request.first_part * ratio(tone.gain_db[name])
        if volts < due_v * ratio(-GONE_DB):
            return GONE
    return None


def percent(
    name: str, channel: str, seen: float | None, parts: Sequence[Part], reason: str, frequency_hz: float | None = None
) -> Value:
    """A ratio as a row, %. parts: of its uncertainty, as ratios. None: below the floor, as the reason then says; nobody
    judges it."""
    scaled = [Part(one.id, 100.0 * one.u, one.kind, one.freedom) for one in parts]
    expanded_pct, factor = (None, None) if seen is None else expanded(scaled)
    return Value(
        name, None if seen is None else 100.0 * seen, "%", channel, expanded_pct, factor,
        None, reason, frequency_hz,
    )  # fmt: skip
