"""`thd_by_level`: distortion of bursts of one tone, from 30 dB below the limit found before to just below it.

The generator's level is stated as it is set; watts are read. What bounds it is the row of the unit's own `output_power`
at this load and frequency. Pure.
"""

from __future__ import annotations

from collections.abc import Generator, Iterator
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.noise import less_than
from sequencer.analysis.power import watts
from sequencer.analysis.tone import ToneReading, read_tone
from sequencer.analysis.uncertainty import Part
from sequencer.measurements.known_limit import NO_ROW, Known, known_limit, rating_of
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Reply, Request, Shot
from sequencer.measurements.tone_bursts import (
    GONE,
    OVERLOADS,
    OWN_DISTORTION,
    Tone,
    beyond_allowed,
    fire_tone,
    gone,
    percent,
    prove,
)
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, near
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_distortion import BAND_HZ, HARMONICS, tone_burst_cycles, tone_harmonics
from sequencer.plan.models import Rating

LEAST_RATED_W = 0.25  # 16 CFR 432.2: rated distortion holds from 250 mW up
NO_BURST = "no burst was found in the record"
LOW_LEVEL = "Look at the idle current and at the output pair: distortion that grows at low level is crossover"
CLIPS = "Look at what limits it there: rail, output devices, protection; then measure the power again"


@dataclass(frozen=True)
class Reading:
    """One channel at one level. db: re the level of the limit found before."""

    channel: str
    db: float
    level_vrms: float
    power_w: float
    tone: ToneReading


@dataclass
class _Course:
    readings: list[Reading] = field(default_factory=list)
    shots: int = 1
    ended: str | None = None
    last: Shot | None = None


def thd_by_level(job: ValueJob) -> ValueTalk:
    """Levels from low to high, so that what is clean is known if the highest ends in a protection."""
    (hz,) = job.point.frequencies_hz
    known = known_limit(job, hz)
    if known is None:
        return Values(reason=NO_ROW)
    gains = yield from prove(job, hz)
    if isinstance(gains, str):
        return Values(shots=1, reason=gains)
    tone = Tone(hz, tone_burst_cycles(hz), tone_harmonics(hz), gains)
    course = _Course()
    for db in job.point.levels_db:
        course.ended = yield from _level(job, tone, known.level_vrms, db, course)
        if course.ended:
            break
    return _values(job, known, course)


def _level(
    job: ValueJob, tone: Tone, full_vrms: float, db: float, course: _Course
) -> Generator[Request, Reply, str | None]:
    """One level; the reason where no higher one may follow."""
    level = full_vrms * ratio(db)
    if words := beyond_allowed(job, tone, level):
        return words
    shot, fired = yield from fire_tone(job, tone, level)
    course.shots += fired
    read = read_channels(job, tone, shot)
    if isinstance(read, str):
        return read
    why = gone(tone, shot, {name: one.fundamental_v for name, one in read.items()})
    if why == GONE:
        return why
    course.last = shot
    course.readings += [
        Reading(c.name, db, shot.level_vrms, watts(read[c.name].rms_ac_v, c.load_ohm), read[c.name])
        for c in job.channels
    ]
    return why


def read_channels(job: ValueJob, tone: Tone, shot: Shot) -> dict[str, ToneReading] | str:
    """Every channel of one burst, or why it says nothing."""
    if any(record.overloaded for record in shot.records.values()):
        return OVERLOADS
    try:
        return {c.name: read_one(c, tone, shot) for c in job.channels}
    except ValueError:
        return f"{NO_BURST}: {GONE}"


def read_one(channel: ChannelJob, tone: Tone, shot: Shot) -> ToneReading:
    """One channel of one burst. ValueError where its record holds none."""
    return read_tone(shot.records[channel.input], tone.frequency_hz, tone.cycles, HARMONICS, BAND_HZ)


def _values(job: ValueJob, known: Known, course: _Course) -> Values:
    rating = rating_of(job)
    found = [v for c in job.channels for v in _of_channel(job, c.name, known, rating, course)]
    if course.ended and course.readings:
        found.append(Value("levels above", None, "%", judgement="not measured", reason=course.ended))
    return Values(
        values=tuple(found),
        findings=tuple(_findings(job, rating, course)),
        shots=course.shots,
        reason=None if course.readings else course.ended,
        extra={
            "distortion_by_level": [
                {"channel": one.channel, "level_db": one.db} | reading_row(one.level_vrms, one.power_w, one.tone)
                for one in course.readings
            ]
        },
        kept=(("distortion", course.last),) if course.last else (),
    )


def _of_channel(job: ValueJob, name: str, known: Known, rating: Rating | None, course: _Course) -> Iterator[Value]:
    (hz,) = job.point.frequencies_hz
    mine = [one for one in course.readings if one.channel == name]
    if not mine:
        return
    clean = min(mine, key=lambda one: one.tone.thd_raw if one.tone.thd_raw is not None else one.tone.thd_n.ratio)
    top = mine[-1]
    for words, one in (("lowest THD", clean), ("THD just below the limit", top)):
        yield thd_value(words, name, one.tone, _where(one, known), hz)
    quiet = min(mine, key=lambda one: one.tone.thd_n.ratio)
    for words, one in (("lowest THD+N", quiet), ("THD+N just below the limit", top)):
        yield thd_n_value(words, name, one.tone, _where(one, known), hz)
    if rating is not None and (worst := _worst_within(rating, mine)) is not None:
        yield _judged(name, worst, rating, hz)


def _where(one: Reading, known: Known) -> str:
    return f"at {one.power_w:.3g} W, {-one.db:g} dB below the limit ({known.words}); {tone_words(one.tone)}"


def tone_words(seen: ToneReading) -> str:
    """Band and harmonics of a figure; where harmonics lie outside the band, that."""
    if seen.harmonics < 2:
        return "20 Hz to 20 kHz: every harmonic lies outside the band, what is left is noise"
    cut = ", the others lie outside" if seen.harmonics < 3 else ""
    return f"harmonics 2 to {seen.harmonics}{cut}, 20 Hz to 20 kHz".replace("2 to 2,", "2,")


def thd_value(name: str, channel: str, seen: ToneReading, words: str, hz: float) -> Value:
    """THD(F) as a row: its noise taken away, or below the floor, or not there at all."""
    if seen.thd is None or seen.thd_floor is None or seen.thd_u is None:
        return Value(name, None, "%", channel, reason=words, frequency_hz=hz)
    if seen.thd_below_floor:
        less = f"below floor, less than {100.0 * less_than(seen.thd_floor, seen.harmonics):.2g} %"
        return percent(name, channel, None, (), f"{less}; {words}", hz)
    return percent(name, channel, seen.thd, (Part("noise", seen.thd_u),), f"{words}; {OWN_DISTORTION}", hz)


def thd_n_value(name: str, channel: str, seen: ToneReading, words: str, hz: float) -> Value:
    """THD+N as a row: the digitiser's noise is in it."""
    floor = f"floor {100.0 * seen.thd_n_floor:.2g} %, the digitiser's noise is in the figure"
    return percent(name, channel, seen.thd_n.ratio, (Part("noise", seen.thd_n.u),), f"{words}; {floor}", hz)


def _worst_within(rating: Rating, mine: list[Reading]) -> Reading | None:
    """The highest THD from 250 mW to the rated power."""
    inside = [one for one in mine if LEAST_RATED_W <= one.power_w <= rating.power_w and one.tone.thd is not None]
    return max(inside, key=lambda one: one.tone.thd or 0.0, default=None)


def _judged(name: str, worst: Reading, rating: Rating, hz: float) -> Value:
    seen, limit = worst.tone, rating.thd_pct
    value = thd_value("highest THD up to the rated power", name, seen, "", hz)
    pct = value.value
    words = f"{limit:g} % is rated; highest at {worst.power_w:.3g} W"
    if pct is None:
        told = f"{words}; {value.reason}".removesuffix("; ")
        sure = seen.thd_floor is not None and 100.0 * less_than(seen.thd_floor, seen.harmonics) <= limit
        return Value(
            value.name, None, "%", name, judgement="within" if sure else "below floor", reason=told, frequency_hz=hz
        )
    outside = pct > limit
    words += near(pct, limit, value.expanded_uncertainty)
    return Value(
        value.name, pct, "%", name, value.expanded_uncertainty, value.coverage_factor,
        "outside" if outside else "within", words, hz, high=limit,
    )  # fmt: skip


def _findings(job: ValueJob, rating: Rating | None, course: _Course) -> Iterator[Finding]:
    for channel in job.channels if rating else ():
        mine = [one for one in course.readings if one.channel == channel.name]
        worst = _worst_within(rating, mine) if rating else None
        if rating is None or worst is None or worst.tone.thd is None or worst.tone.thd_u is None:
            continue
        if beyond(100.0 * worst.tone.thd, rating.thd_pct, 200.0 * worst.tone.thd_u):
            sentence = (
                f"{100.0 * worst.tone.thd:.2g} % THD at {worst.power_w:.3g} W into {job.point.load}, where "
                f"{rating.thd_pct:g} % is rated up to {rating.power_w:g} W"
            )
            if worst.power_w < rating.power_w / 10.0:
                yield Finding("distortion at low level", sentence, LOW_LEVEL, channel.name)
            else:
                yield Finding("distortion", sentence, CLIPS, channel.name)


def reading_row(level_vrms: float, power_w: float, seen: ToneReading) -> dict[str, Any]:
    """One channel of one burst in the keys of the results, ratios in %."""
    return {
        "level_vrms": level_vrms,
        "power_w": power_w,
        "harmonics": seen.harmonics,
        "band_hz": list(BAND_HZ),
        "thd_pct": _pct(seen.thd),
        "thd_floor_pct": _pct(seen.thd_floor),
        "thd_below_floor": seen.thd_below_floor,
        "thd_n_pct": _pct(seen.thd_n.ratio),
        "thd_n_floor_pct": _pct(seen.thd_n_floor),
    }


def _pct(value: float | None) -> float | None:
    return None if value is None else 100.0 * value
