"""`intermodulation`: what a unit makes of two tones at once: 60 Hz and 7 kHz as 4 to 1, 19 and 20 kHz as 1 to 1.

The crest of the sum is that of a sine at a part of the power found before. Denominators are named with every figure:
they differ by up to a factor of 2. A generator that plays one tone only cannot do it. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.outline import outline
from sequencer.analysis.records import Record
from sequencer.analysis.two_tones import Product, difference, modulation
from sequencer.analysis.uncertainty import Part
from sequencer.measurements.known_limit import Known, known_limit
from sequencer.measurements.requests import Reply, Request, SecondTone, Shot
from sequencer.measurements.tone_bursts import (
    GONE,
    OVERLOADS,
    OWN_DISTORTION,
    Tone,
    beyond_allowed,
    fire_tone,
    gone,
    level_for,
    percent,
    prove,
)
from sequencer.measurements.values import Value, ValueJob, Values, ValueTalk
from sequencer.plan.estimate_distortion import TONE_PAIRS, TonePair, pair_harmonics
from sequencer.plan.points import hertz

ONE_TONE_ONLY = "this generator plays one tone only"
NO_LIMIT = "no power was measured before into this load with these channels: nothing says what is full"
SETTLED_PART = 0.2  # of the burst is left out of its spectrum: couplings settle
# What of it is shown: the sidebands about 7 kHz; all up to beyond 20 kHz. Then the width of a part of the picture, Hz.
SHOWN_HZ = {"modulation": ((6500.0, 7500.0), 10.0), "difference": ((100.0, 24_000.0), 100.0)}
READERS = {"modulation": modulation, "difference": difference}


@dataclass(frozen=True)
class _Reading:
    """One channel at one pair and level. power_w: of a sine with the crest of the sum."""

    pair: str
    part: float
    channel: str
    power_w: float
    level_vrms: float
    products: tuple[Product, ...]


@dataclass
class _Course:
    """missed: (pair, part) -> why not. spectra: of the loudest burst, by pair and channel; loudest: that burst."""

    readings: list[_Reading] = field(default_factory=list)
    missed: dict[tuple[str, float], str] = field(default_factory=dict)
    spectra: dict[tuple[str, str], dict[str, Any]] = field(default_factory=dict)
    loudest: dict[str, Shot] = field(default_factory=dict)
    shots: int = 0


def intermodulation(job: ValueJob) -> ValueTalk:
    """Pair by pair, levels from low to high; once an output goes away nothing more is fired."""
    if not job.around.two_tones:
        return Values(reason=ONE_TONE_ONLY)
    known = known_limit(job, None)
    if known is None:
        return Values(reason=NO_LIMIT)
    course, ended = _Course(), None
    for name in job.point.tone_pairs:
        tone = ended or (yield from _proved(job, TONE_PAIRS[name], course))
        if isinstance(tone, str):
            course.missed |= {(name, part): tone for part in job.point.power_parts}
            continue
        ended = yield from _pair(job, name, tone, known, course)
    return _values(job, known, course)


def _proved(job: ValueJob, pair: TonePair, course: _Course) -> Generator[Request, Reply, Tone | str]:
    """The gain at both tones at a harmless level; the higher one counts, so that no crest is higher than meant."""
    gains: dict[str, float] = {}
    for hz in (pair.first_hz, pair.second_hz):
        seen = yield from prove(job, hz)
        course.shots += 1
        if isinstance(seen, str):
            return seen
        gains = {name: max(db, gains.get(name, -math.inf)) for name, db in seen.items()}
    second = SecondTone(pair.second_hz, pair.ratio)
    return Tone(pair.first_hz, pair.cycles, pair_harmonics(pair), gains, second=second)


def _pair(job: ValueJob, name: str, tone: Tone, known: Known, course: _Course) -> Generator[Request, Reply, str | None]:
    """All levels of one pair; the reason where nothing more may be fired."""
    ended: str | None = None
    for part in sorted(job.point.power_parts):
        wanted = {channel: math.sqrt(part) * volts for channel, volts in known.output_vrms.items()}
        level = level_for(wanted, tone.gain_db)
        if why := ended or beyond_allowed(job, tone, level):
            course.missed[name, part] = why
            continue
        shot, fired = yield from fire_tone(job, tone, level)
        course.shots += fired
        ended = _read(job, name, part, tone, shot, course)
    return ended


def _read(job: ValueJob, name: str, part: float, tone: Tone, shot: Shot, course: _Course) -> str | None:
    """Every channel of one burst; the reason where nothing more may be fired."""
    if any(record.overloaded for record in shot.records.values()):
        course.missed[name, part] = OVERLOADS
        return OVERLOADS
    pair, first_v, readings = TONE_PAIRS[name], {}, []
    for channel in job.channels:
        record = shot.records[channel.input]
        try:
            products, tones = READERS[name](record, pair.first_hz, pair.second_hz, pair.cycles)
        except ValueError:  # no two tones are there to fit
            course.missed[name, part] = GONE
            return GONE
        first_v[channel.name] = tones.peak_v((1, 0)) / math.sqrt(2.0)
        crest_v = tones.peak_v((1, 0)) + tones.peak_v((0, 1))
        power_w = crest_v**2 / 2.0 / channel.load_ohm
        readings.append(_Reading(name, part, channel.name, power_w, shot.level_vrms, products))
    why = gone(tone, shot, first_v)
    if why == GONE:
        course.missed[name, part] = why
    else:
        course.readings += readings
        course.loudest[name] = shot
        course.spectra |= {(name, c.name): _spectrum(c.name, shot.records[c.input], name, part) for c in job.channels}
    return why


def _spectrum(channel: str, record: Record, name: str, part: float) -> dict[str, Any]:
    """Of the settled part of the burst, dB re the largest line shown: for the sheet, nothing is judged by it."""
    pair, times = TONE_PAIRS[name], record.times_s
    inside = (times >= SETTLED_PART * pair.burst_s) & (times < pair.burst_s)
    found = outline([record.volts[inside]], record.sample_interval_s, *SHOWN_HZ[name])
    row = {"channel": channel, "tones_hz": [pair.first_hz, pair.second_hz], "ratio": pair.ratio, "part": part}
    return row | found.row_db(max(found.vrms, default=0.0) or 1.0)


def _values(job: ValueJob, known: Known, course: _Course) -> Values:
    values = [_value(one, product, known) for one in course.readings for product in one.products]
    values += [
        Value(f"{name} of {TONE_PAIRS[name].words}", None, "%", judgement="not measured", reason=why)
        for (name, _), why in course.missed.items()
    ]
    return Values(
        values=tuple(values),
        shots=course.shots,
        reason=None if course.readings else next(iter(course.missed.values())),
        extra={
            "intermodulation": [_row(one, product) for one in course.readings for product in one.products],
            "intermodulation_spectra": list(course.spectra.values()),
        },
        kept=tuple(course.loudest.items()),
    )


def _value(one: _Reading, product: Product, known: Known) -> Value:
    pair = TONE_PAIRS[one.pair]
    lines = ", ".join(hertz(hz) for hz in sorted(product.lines_hz)) if len(product.lines_hz) < 3 else "all sidebands"
    words = (
        f"{lines} over {product.denominator}; {pair.words}, crest of a sine of {one.power_w:.3g} W, {one.part:.3g} of "
        f"the limit ({known.words})"
    )
    if product.of.below_floor:
        less = f"below floor, less than {100.0 * product.of.less_than:.2g} %"
        return percent(product.name, one.channel, None, (), f"{less}; {words}", pair.second_hz)
    reason = f"{words}; {OWN_DISTORTION}"
    return percent(product.name, one.channel, product.of.value, (Part("noise", product.of.u),), reason, pair.second_hz)


def _row(one: _Reading, product: Product) -> dict[str, Any]:
    pair = TONE_PAIRS[one.pair]
    return {
        "channel": one.channel,
        "tones_hz": [pair.first_hz, pair.second_hz],
        "ratio": pair.ratio,
        "part": one.part,
        "crest_power_w": one.power_w,
        "level_vrms": one.level_vrms,
        "name": product.name,
        "lines_hz": sorted(product.lines_hz),
        "denominator": product.denominator,
        "pct": 100.0 * product.of.value,
        "floor_pct": 100.0 * product.of.floor,
        "below_floor": product.of.below_floor,
        "less_than_pct": 100.0 * product.of.less_than if product.of.below_floor else None,
    }
