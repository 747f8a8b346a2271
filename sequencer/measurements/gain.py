"""`gain`: what the controls are really set to: gain of each channel at a harmless level, bass to treble.

A knob's mark says little and a photo less: this is compared between channels and against 1 kHz. Told is what lies
beyond its bound by more than its uncertainty; what lies nearer to it says so in its row. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, replace

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import Part, difference
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Fire, Reply, Request, Rest, Shot
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, near, shot_of
from sequencer.plan.estimate_values import GAIN_OUTPUT_VRMS
from sequencer.plan.points import hertz
from sequencer.plan.window import GAIN_HARMONICS, gain_cycles

RANGE_FACTORS = (4.0, 40.0)  # of the level expected: 12 dB more of gain is seen at once, 32 dB the second time
REFERENCE_HZ = 1000.0
MISMATCH_DB = 0.5  # common practice, no source
BOOST_DB = 3.0  # common practice, no source
SEEN_FACTOR = 10.0  # times the noise's share: below it nothing of the tone is seen
DB_OF_RATIO = 20.0 / math.log(10.0)  # dB for a small relative change of volts
NOT_DECLARED = "level and flatness of generator and digitiser are not declared, and not in the uncertainty"
CONTROLS = "Set the controls to their marks or write down that they are so, then measure again"
TRIM = "Match the gain controls, or look for a fault in the weaker channel"
SILENT = "Look at its input, its mute and its output relay"


@dataclass(frozen=True)
class Tone:
    """One channel at one frequency. gain_db: None where no output was seen; parts: its uncertainty, dB."""

    frequency_hz: float
    gain_db: float | None
    parts: tuple[Part, ...] = ()


@dataclass(frozen=True)
class Less:
    """A channel's gain below that of the channel of most gain, dB. expanded_db: of the difference of the two, which
    have ranges and probes of their own, and the generator's level in common."""

    channel: str
    than: str
    less_db: float
    expanded_db: float | None


def gain(job: ValueJob) -> ValueTalk:
    """Gain at 1 kHz (or the tone nearest to it), and at every other tone the difference from it, dB.

    The level gives 0.1 V at the output by the unit's file: 12 dB more gain than that is still a harmless 0.4 V.
    """
    seen: dict[str, list[Tone]] = {channel.name: [] for channel in job.channels}
    shots = 0
    for frequency_hz in job.point.frequencies_hz:
        shot, fired = yield from _tone(job, frequency_hz)
        shots += fired
        if over := [c.name for c in job.channels if shot.records[c.input].overloaded]:
            reason = f"digitiser overloaded at {hertz(frequency_hz)}, channel {', '.join(over)}: check probe and gain"
            return Values(shots=shots, reason=reason)
        for channel in job.channels:
            seen[channel.name].append(seen_tone(channel, shot, frequency_hz))
    reference_hz = min(job.point.frequencies_hz, key=lambda hz: abs(math.log(hz / REFERENCE_HZ)))
    apart = tuple(_apart_by_channel({name: _at(tones, reference_hz) for name, tones in seen.items()}))
    values = [v for name, tones in seen.items() for v in _values(name, tones, reference_hz, apart)]
    return Values(tuple(values), tuple(_findings(seen, reference_hz, apart)), shots)


def _tone(job: ValueJob, frequency_hz: float) -> Generator[Request, Reply, tuple[Shot, int]]:
    """One burst; an overloaded record is void, and is repeated once on a wider range."""
    most = max(10.0 ** (channel.gain_db / 20.0) for channel in job.channels)
    level = min(GAIN_OUTPUT_VRMS / most, job.limits.generator_vrms)
    shots = 0
    for factor in RANGE_FACTORS:
        scale_v = min(math.sqrt(2.0) * GAIN_OUTPUT_VRMS * factor, job.limits.largest_range_v)
        scales = {channel.input: scale_v for channel in job.channels}
        shot = shot_of((yield Fire(level, frequency_hz, gain_cycles(frequency_hz), scales, "gain")))
        shots += 1
        yield Rest(job.rest_s)
        if not any(record.overloaded for record in shot.records.values()):
            break
    return shot, shots


def seen_tone(channel: ChannelJob, shot: Shot, frequency_hz: float) -> Tone:
    """The burst's second half, when couplings have settled, by least squares."""
    record, cycles = shot.records[channel.input], shot.request.cycles
    times = record.times_s
    within = (times >= cycles / 2.0 / frequency_hz) & (times < (cycles - 0.5) / frequency_hz)
    fit = fit_harmonics(record.volts[within], times[within], frequency_hz, GAIN_HARMONICS)
    # Of a fitted amplitude in white noise of rms s: s sqrt(2/n), least squares (as in IEEE 1057); of its rms s/sqrt(n).
    noise_v = math.hypot(fit.residual_rms_v, record.step_v / math.sqrt(12.0)) / math.sqrt(fit.samples)
    if fit.fundamental_rms_v < SEEN_FACTOR * noise_v:
        return Tone(frequency_hz, None)
    gain_db = 20.0 * math.log10(fit.fundamental_rms_v / shot.level_vrms)
    return Tone(frequency_hz, gain_db, tuple(_parts(channel, record, noise_v / fit.fundamental_rms_v)))


def _parts(channel: ChannelJob, record: Record, noise: float) -> Iterator[Part]:
    yield Part("noise", DB_OF_RATIO * noise)
    for source in channel.sources_on(record.full_scale_v):
        if source.of == "voltage":
            yield Part(source.id, DB_OF_RATIO * source.standard, source.kind)


def _values(name: str, tones: list[Tone], reference_hz: float, apart: tuple[Less, ...]) -> Iterator[Value]:
    reference = _at(tones, reference_hz)
    value = _value(name, f"gain at {hertz(reference_hz)}", "dB", reference, reference.gain_db, reference.parts)
    said = [*(_nearly(less) for less in apart if less.channel == name), value.reason]
    yield replace(value, reason="; ".join(filter(None, said)))
    for tone in tones:
        if tone.frequency_hz != reference_hz:
            words = f"response at {hertz(tone.frequency_hz)}"
            parts = difference(tone.parts, reference.parts)
            yield _value(name, words, f"dB re {hertz(reference_hz)}", tone, _apart(tone, reference), parts)


def _nearly(less: Less) -> str:
    """Where the bound is nearer than the uncertainty of the difference, so that nothing is told."""
    words = near(less.less_db, MISMATCH_DB, less.expanded_db)
    side = "at most" if less.less_db <= MISMATCH_DB else "above"
    nothing = not words or beyond(less.less_db, MISMATCH_DB, less.expanded_db)
    return "" if nothing else f"{less.less_db:.2f} dB below channel {less.than}: {side} {MISMATCH_DB:g} dB{words}"


def _value(channel: str, name: str, unit: str, tone: Tone, value: float | None, parts: tuple[Part, ...]) -> Value:
    expanded_db, factor = (None, None) if value is None else expanded(parts)
    return Value(
        name=name,
        channel=channel,
        value=value,
        unit=unit,
        expanded_uncertainty=expanded_db,
        coverage_factor=factor,
        judgement="not measured" if value is None else None,
        reason="no output seen above the noise" if value is None else NOT_DECLARED if unit == "dB" else None,
        frequency_hz=tone.frequency_hz,
    )


def _findings(seen: Mapping[str, list[Tone]], reference_hz: float, apart: tuple[Less, ...]) -> Iterator[Finding]:
    for name, tones in seen.items():
        if _at(tones, reference_hz).gain_db is None:
            sentence = f"no output seen at {hertz(reference_hz)}, at a harmless level"
            yield Finding("no output", sentence, SILENT, name)
    for less in apart:
        if beyond(less.less_db, MISMATCH_DB, less.expanded_db):
            sentence = f"gain {less.less_db:.2f} dB below that of channel {less.than} at {hertz(reference_hz)}"
            yield Finding("channel mismatch", sentence, TRIM, less.channel)
    for name, tones in seen.items():
        yield from _boost(name, tones, _at(tones, reference_hz))


def _apart_by_channel(references: Mapping[str, Tone]) -> Iterator[Less]:
    """Each other channel against the one of most gain; a channel without output is left out."""
    levels = {name: tone.gain_db for name, tone in references.items() if tone.gain_db is not None}
    high = max(levels, key=lambda name: levels[name], default="")
    for name, level in levels.items():
        if name != high:
            parts = difference(references[high].parts, references[name].parts)
            yield Less(name, high, levels[high] - level, expanded(parts)[0])


def _boost(name: str, tones: list[Tone], reference: Tone) -> Iterator[Finding]:
    """Once a channel, where it stands highest."""
    raised = [(db, tone) for tone in tones if (db := _apart(tone, reference)) is not None]
    if not raised:
        return
    most_db, at = max(raised, key=lambda one: one[0])
    if beyond(most_db, BOOST_DB, expanded(difference(at.parts, reference.parts))[0]):
        sentence = f"{most_db:+.1f} dB at {hertz(at.frequency_hz)}: boost is on"
        yield Finding("boost", sentence, CONTROLS, name)


def _apart(tone: Tone, reference: Tone) -> float | None:
    if tone.gain_db is None or reference.gain_db is None:
        return None
    return tone.gain_db - reference.gain_db


def _at(tones: list[Tone], frequency_hz: float) -> Tone:
    return next(tone for tone in tones if tone.frequency_hz == frequency_hz)
