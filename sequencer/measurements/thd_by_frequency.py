"""`thd_by_frequency`: distortion of bursts at stated powers, over the tones of the stage.

The level follows the gain that was proved at each tone, so that the most powerful channel has the power stated. K is
cut to the band: above 6.67 kHz only the 2nd harmonic is left, above 10 kHz none: then THD+N shows noise alone. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.power import watts
from sequencer.analysis.tone import ToneReading
from sequencer.measurements.known_limit import Known, known_limit, rating_of
from sequencer.measurements.requests import Reply, Request
from sequencer.measurements.thd_by_level import CLIPS, read_channels, reading_row, thd_n_value, thd_value, tone_words
from sequencer.measurements.tone_bursts import (
    GONE,
    Tone,
    beyond_allowed,
    beyond_known,
    fire_tone,
    gone,
    level_for,
    prove,
)
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond
from sequencer.plan.estimate_distortion import asked_powers_w, tone_burst_cycles, tone_harmonics
from sequencer.plan.points import hertz

NO_RATING = "the unit's file has no rating for this load and supply: no part of it is known"


@dataclass(frozen=True)
class _Reading:
    """One channel at one tone and power. asked: of the power, in words."""

    asked: str
    channel: str
    frequency_hz: float
    level_vrms: float
    power_w: float
    tone: ToneReading


@dataclass
class _Course:
    """missed: (tone, power in words) -> why not."""

    readings: list[_Reading] = field(default_factory=list)
    missed: dict[tuple[float, str], str] = field(default_factory=dict)
    shots: int = 0


def thd_by_frequency(job: ValueJob) -> ValueTalk:
    """Tone by tone, powers from low to high; once an output goes away nothing more is fired."""
    rating = rating_of(job)
    asked, course = asked_powers_w(job.point, rating.power_w if rating else None), _Course()
    if not asked:
        return Values(reason=NO_RATING)
    known = known_limit(job, None)
    ended: str | None = None
    for hz in job.point.frequencies_hz:
        if ended:
            course.missed |= {(hz, words): ended for words in asked.values()}
            continue
        gains = yield from prove(job, hz)
        course.shots += 1
        if isinstance(gains, str):
            course.missed |= {(hz, words): gains for words in asked.values()}
            continue
        tone = Tone(hz, tone_burst_cycles(hz), tone_harmonics(hz), gains)
        ended = yield from _tone(job, tone, asked, known, course)
    return _values(job, asked, course, unrated=rating is None and bool(job.point.power_parts))


def _tone(
    job: ValueJob, tone: Tone, asked: Mapping[float, str], known: Known | None, course: _Course
) -> Generator[Request, Reply, str | None]:
    """All powers of one tone; the reason where nothing more may be fired."""
    ended: str | None = None
    for power_w, words in asked.items():
        wanted = {c.name: math.sqrt(power_w * c.load_ohm) for c in job.channels}
        level = level_for(wanted, tone.gain_db)
        why = ended or beyond_known(job, known, wanted) or beyond_allowed(job, tone, level)
        if why:
            course.missed[tone.frequency_hz, words] = why
            continue
        shot, fired = yield from fire_tone(job, tone, level)
        course.shots += fired
        read = read_channels(job, tone, shot)
        if isinstance(read, str):
            course.missed[tone.frequency_hz, words] = ended = read
            continue
        ended = gone(tone, shot, {name: one.fundamental_v for name, one in read.items()})
        if ended == GONE:
            course.missed[tone.frequency_hz, words] = ended
            continue
        course.readings += [
            _Reading(
                words,
                c.name,
                tone.frequency_hz,
                shot.level_vrms,
                watts(read[c.name].rms_ac_v, c.load_ohm),
                read[c.name],
            )
            for c in job.channels
        ]
    return ended


def _values(job: ValueJob, asked: Mapping[float, str], course: _Course, *, unrated: bool) -> Values:
    values = [v for one in course.readings for v in _of_reading(one)]
    values += [
        Value(f"THD at {words}", None, "%", judgement="not measured", reason=why, frequency_hz=hz)
        for (hz, words), why in course.missed.items()
    ]
    if unrated:
        values.append(Value("THD at a part of the rated power", None, "%", judgement="not measured", reason=NO_RATING))
    return Values(
        values=tuple(values),
        findings=tuple(_findings(job, course)),
        shots=course.shots,
        reason=None if course.readings else next(iter(course.missed.values()), NO_RATING),
        extra={"distortion_by_frequency": [_row(one) for one in course.readings]},
    )


def _of_reading(one: _Reading) -> Iterator[Value]:
    words = f"at {one.power_w:.3g} W; {tone_words(one.tone)}"
    yield thd_value(f"THD at {one.asked}", one.channel, one.tone, words, one.frequency_hz)
    yield thd_n_value(f"THD+N at {one.asked}", one.channel, one.tone, words, one.frequency_hz)


def _findings(job: ValueJob, course: _Course) -> Iterator[Finding]:
    """Once a channel, where it is worst: above what is rated, by more than its uncertainty."""
    rating = rating_of(job)
    for channel in job.channels if rating else ():
        mine = [one for one in course.readings if one.channel == channel.name and one.tone.thd is not None]
        worst = max(mine, key=lambda one: one.tone.thd or 0.0, default=None)
        if rating is None or worst is None or worst.tone.thd is None or worst.tone.thd_u is None:
            continue
        inside = worst.power_w <= rating.power_w
        if inside and beyond(100.0 * worst.tone.thd, rating.thd_pct, 200.0 * worst.tone.thd_u):
            sentence = (
                f"{100.0 * worst.tone.thd:.2g} % THD at {hertz(worst.frequency_hz)} and {worst.power_w:.3g} W, where "
                f"{rating.thd_pct:g} % is rated"
            )
            yield Finding("distortion", sentence, CLIPS, channel.name)


def _row(one: _Reading) -> dict[str, Any]:
    return {"asked": one.asked, "frequency_hz": one.frequency_hz, "channel": one.channel} | reading_row(
        one.level_vrms, one.power_w, one.tone
    )
