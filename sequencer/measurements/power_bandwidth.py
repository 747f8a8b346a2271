"""`power_bandwidth`: between which frequencies the unit gives half its rated power within its rated distortion.

For each tone the gain is proved, then one burst is fired at -3 dB of the rated power, the weakest channel at it; one
that falls a little short is followed by one that does not. THD (harmonics up to K, cut to the band) or THD+N is
judged, with twice its uncertainty. The band is the unbroken run of tones around 1 kHz; its worst tone speaks for it,
never 1 kHz alone. Its edge is interpolated between the last tone within and the first one outside. (Power bandwidth:
IEC 60268-3, from memory.) Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from sequencer.analysis.power import watts
from sequencer.analysis.tone import ToneReading, read_tone
from sequencer.measurements.known_limit import Known, known_limit, rating_of
from sequencer.measurements.requests import Reply, Request, Shot
from sequencer.measurements.small_tones import reference_of
from sequencer.measurements.thd_by_level import NO_BURST
from sequencer.measurements.tone_bursts import (
    GONE,
    OVERLOADS,
    Tone,
    beyond_allowed,
    beyond_known,
    fire_tone,
    gone,
    prove,
)
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_distortion import tone_burst_cycles
from sequencer.plan.estimate_response import HALF_POWER, POWER_TRIES, bandwidth_harmonics
from sequencer.plan.points import hertz

NO_RATING = "the unit's file has no rating for this load and supply: half of it is not known"
NO_HARMONIC = "no harmonic lies within the band: it says nothing of distortion there"
SHORT_DB = 0.5  # so little is made up for once
OVER = 1.0002  # in volts: 0.0035 dB, that rounding down at the generator does not miss the half again
STRAIGHT = "straight over the logarithms of frequency and figure"
LEAST_PCT = 1e-6  # a logarithm needs something
EDGE = "Look at the channel's slew rate, drive stage and coupling at that frequency, then at the rail there"


@dataclass(frozen=True)
class At:
    """One channel at one tone. ratio: THD or THD+N; u: its standard uncertainty; why: what it misses, else None."""

    channel: str
    frequency_hz: float
    level_vrms: float
    power_w: float
    ratio: float
    u: float
    harmonics: int
    why: str | None


@dataclass
class _Course:
    """missed: tone -> why it could not be judged. found: by tone."""

    found: dict[float, list[At]] = field(default_factory=dict)
    missed: dict[float, str] = field(default_factory=dict)
    shots: int = 0

    def why(self, frequency_hz: float) -> str | None:
        """What keeps this tone out of the band; None: it is in."""
        if frequency_hz in self.missed:
            return self.missed[frequency_hz]
        return next((f"channel {one.channel} {one.why}" for one in self.found[frequency_hz] if one.why), None)


def power_bandwidth(job: ValueJob) -> ValueTalk:
    """From 1 kHz outwards; once an output goes away nothing more is fired."""
    rating = rating_of(job)
    if rating is None:
        return Values(reason=NO_RATING)
    half_w, limit_pct = HALF_POWER * rating.power_w, job.point.limit_pct or rating.thd_pct
    known, course = known_limit(job, None), _Course()
    ended: str | None = None
    for hz in sorted(job.point.frequencies_hz, key=lambda hz: (abs(math.log(hz / 1000.0)), hz)):
        if ended is not None:
            course.missed[hz] = ended
            continue
        ended = yield from _tone(job, hz, half_w, limit_pct, known, course)
    return _values(job, half_w, limit_pct, course)


def _tone(
    job: ValueJob, hz: float, half_w: float, limit_pct: float, known: Known | None, course: _Course
) -> Generator[Request, Reply, str | None]:
    """The reason where nothing more may be fired."""
    harmonics = bandwidth_harmonics(job.point, hz)
    if harmonics < 2:
        course.missed[hz] = NO_HARMONIC
        return None
    gains = yield from prove(job, hz)
    course.shots += 1
    if isinstance(gains, str):
        course.missed[hz] = gains
        return None
    tone = Tone(hz, tone_burst_cycles(hz), harmonics, gains)
    wanted = {c.name: math.sqrt(half_w * c.load_ohm) for c in job.channels}
    level = OVER * max(volts / ratio(gains[name]) for name, volts in wanted.items())
    for tried in range(POWER_TRIES):
        if (why := beyond_known(job, known, wanted) or beyond_allowed(job, tone, level)) is not None:
            course.missed.setdefault(hz, why) if not tried else None
            return None
        shot, fired = yield from fire_tone(job, tone, level)
        course.shots += fired
        read = _read(job, tone, shot)
        if isinstance(read, str):
            course.missed[hz] = read
            return read
        course.found[hz] = [_at(job, hz, shot.level_vrms, c.name, read, half_w, limit_pct) for c in job.channels]
        if ended := gone(tone, shot, {name: one.fundamental_v for name, one in read.items()}):
            course.found[hz] = [replace(one, why=one.why or f"ended: {ended}") for one in course.found[hz]]
            return ended
        short = half_w / min(one.power_w for one in course.found[hz])
        if not 1.0 < short < ratio(2.0 * SHORT_DB):
            break
        level = shot.level_vrms * math.sqrt(short) * OVER
    return None


def _read(job: ValueJob, tone: Tone, shot: Shot) -> dict[str, ToneReading] | str:
    """Every channel of one burst, or why it says nothing."""
    if any(record.overloaded for record in shot.records.values()):
        return OVERLOADS
    band_hz, cycles = job.point.band_hz, tone.cycles
    try:
        return {
            c.name: read_tone(shot.records[c.input], tone.frequency_hz, cycles, tone.harmonics, band_hz)
            for c in job.channels
        }
    except ValueError:
        return f"{NO_BURST}: {GONE}"


def _at(
    job: ValueJob, hz: float, level: float, name: str, read: Mapping[str, ToneReading], half_w: float, limit_pct: float
) -> At:
    one = read[name]
    ohm = next(c.load_ohm for c in job.channels if c.name == name)
    thd = (one.thd or 0.0, one.thd_u or 0.0)
    part, u = thd if job.point.quantity == "thd" else (one.thd_n.ratio, one.thd_n.u)
    power_w, why = watts(one.rms_ac_v, ohm), None
    if 100.0 * (part + 2.0 * u) > limit_pct:
        why = f"shows {100.0 * part:.2g} % where {limit_pct:g} % is the limit"
    elif power_w < half_w:
        why = f"gives {power_w:.3g} W where {half_w:.3g} W is half the rated power"
    return At(name, hz, level, power_w, part, u, one.harmonics, why)


def _values(job: ValueJob, half_w: float, limit_pct: float, course: _Course) -> Values:
    tones = sorted(job.point.frequencies_hz)
    reference_hz = reference_of(tones)
    why = course.why(reference_hz)
    judged = _judged(job, half_w, limit_pct)
    extra = {"power_bandwidth": _row(course, half_w, limit_pct, job)}
    if not course.found:
        return Values(shots=course.shots, reason=why or NO_HARMONIC, extra=extra)
    below = [hz for hz in reversed(tones) if hz <= reference_hz]
    above = [hz for hz in tones if hz >= reference_hz]
    edges = {"lower edge": _edge(course, below), "upper edge": _edge(course, above)}
    values = []
    for name, (last_hz, outside) in edges.items():
        judgement = "not measured" if last_hz is None else "outside" if _is_outside(course, outside) else "within"
        crossing_hz = _crossing(course, last_hz, outside, half_w, limit_pct)
        reason = f"{_said(course, outside, name)}; {judged}"
        if crossing_hz is not None and last_hz is not None and outside is not None:
            reason = f"between the tones of {hertz(last_hz)} and {hertz(outside)}, {STRAIGHT}; {reason}"
        edge_hz = crossing_hz or last_hz
        values.append(Value(f"power bandwidth, {name}", edge_hz, "Hz", None, None, None, judgement, reason, edge_hz))
    values.append(_worst(job, course, edges["lower edge"][0], edges["upper edge"][0]))
    return Values(tuple(values), tuple(_findings(course, tones)), course.shots, extra=extra)


def _edge(course: _Course, outwards: list[float]) -> tuple[float | None, float | None]:
    """(last tone of the run, first one outside it; None where the tones end)."""
    edge_hz: float | None = None
    for hz in outwards:
        if course.why(hz) is not None:
            return edge_hz, hz
        edge_hz = hz
    return edge_hz, None


def _is_outside(course: _Course, outside_hz: float | None) -> bool:
    """A tone that could not be judged proves nothing."""
    return outside_hz is not None and outside_hz in course.found


def _crossing(
    course: _Course, last_hz: float | None, outside_hz: float | None, half_w: float, limit_pct: float
) -> float | None:
    """Where the first channel passes a bound, Hz, between the last tone within and the first one outside: a straight
    line over the logarithms of frequency and figure, of which a power law is one. None where no bound lies between."""
    if last_hz is None or outside_hz not in course.found or last_hz not in course.found:
        return None
    within = {one.channel: _margins(one, half_w, limit_pct) for one in course.found[last_hz]}
    parts = [
        inner / (inner - outer)
        for one in course.found[outside_hz]
        for inner, outer in zip(within[one.channel], _margins(one, half_w, limit_pct), strict=True)
        if inner >= 0.0 > outer
    ]
    return last_hz * (outside_hz / last_hz) ** min(parts) if parts else None


def _margins(one: At, half_w: float, limit_pct: float) -> tuple[float, float]:
    """Logarithms of what is left to the limit of distortion and to half the rated power; below 0: missed."""
    worst = max(100.0 * (one.ratio + 2.0 * one.u), LEAST_PCT)
    return math.log(limit_pct / worst), math.log(max(one.power_w, 1e-9) / half_w)


def _said(course: _Course, outside_hz: float | None, name: str) -> str:
    if outside_hz is not None:
        return f"{hertz(outside_hz)}: {course.why(outside_hz)}"
    side = "lowest" if name == "lower edge" else "highest"
    return f"the {side} tone: the band may go on beyond it"


def _judged(job: ValueJob, half_w: float, limit_pct: float) -> str:
    point = job.point
    what = "THD" if point.quantity == "thd" else "THD+N"
    band = f"{hertz(point.band_hz[0])} to {hertz(point.band_hz[1])}"
    return f"{what} within {limit_pct:g} % at {half_w:.3g} W, K up to {point.harmonics} within {band}"


def _worst(job: ValueJob, course: _Course, low_hz: float | None, high_hz: float | None) -> Value:
    what = "THD" if job.point.quantity == "thd" else "THD+N"
    name = f"worst {what} in the power bandwidth"
    if low_hz is None or high_hz is None:
        reason = "1 kHz itself is outside"
        return Value(name, None, "%", judgement="not measured", reason=reason)
    inside = [one for hz, some in course.found.items() if low_hz <= hz <= high_hz for one in some]
    worst = max(inside, key=lambda one: one.ratio)
    reason = f"at {hertz(worst.frequency_hz)}, {worst.power_w:.3g} W, K = {worst.harmonics}; the most of any tone"
    expanded_pct = 200.0 * worst.u if worst.u else None
    return Value(
        name, 100.0 * worst.ratio, "%", worst.channel, expanded_pct, 2.0 if worst.u else None, None, reason,
        worst.frequency_hz,
    )  # fmt: skip


def _findings(course: _Course, tones: list[float]) -> Iterator[Finding]:
    """Once a channel, at the tone nearest to 1 kHz that it misses."""
    told: set[str] = set()
    for hz in sorted(tones, key=lambda hz: abs(math.log(hz / 1000.0))):
        for one in course.found.get(hz, ()):
            if one.why is not None and one.channel not in told:
                told.add(one.channel)
                yield Finding("power bandwidth", f"at {hertz(hz)} it {one.why}", EDGE, one.channel)


def _row(course: _Course, half_w: float, limit_pct: float, job: ValueJob) -> dict[str, Any]:
    rows = [
        {
            "frequency_hz": hz,
            "channel": one.channel,
            "level_vrms": one.level_vrms,
            "power_w": one.power_w,
            "ratio_pct": 100.0 * one.ratio,
            "expanded_pct": 200.0 * one.u,
            "harmonics": one.harmonics,
            "misses": one.why,
        }
        for hz, some in sorted(course.found.items())
        for one in some
    ]
    return {
        "half_power_w": half_w,
        "quantity": job.point.quantity,
        "limit_pct": limit_pct,
        "band_hz": list(job.point.band_hz),
        "tones": rows,
        "missed": {hertz(hz): why for hz, why in sorted(course.missed.items())},
    }
