"""`noise`: what an output gives without a signal: noise and hum, and how far below 1 W and the rated power they lie.

The digitiser's own noise is read with the unit switched off, on the same ranges, and taken away in power. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from sequencer.analysis.outline import outline
from sequencer.analysis.silence import (
    TOLD_ORDERS,
    Level,
    NoiseReading,
    Silence,
    mean_of,
    reading_of,
    signal_to_noise_db,
    silence_of,
    thirds_hz,
)
from sequencer.analysis.uncertainty import Part
from sequencer.analysis.weighting import AUDIO_HZ
from sequencer.measurements import switching
from sequencer.measurements.bench_check_silence import HUM_50, HUM_100, NOISE, TOO_MUCH_VRMS
from sequencer.measurements.known_limit import rating_of
from sequencer.measurements.output_offset import silent_part
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Inputs, Outputs, Quiet, Reply, Request, Rest, Shot
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, shot_of
from sequencer.plan.estimate_quiet import NOISE_RECORDS, NOISE_SCALES_V, NOISE_TRIES
from sequencer.plan.window import SILENCE_READ_S

SCALE_MARGIN = 1.6  # of the largest excursion seen: noise has no largest value
WIDER = 2.5
DB_OF_RATIO = 20.0 / math.log(10.0)
BAND, WEIGHTED = "20 Hz to 20 kHz", "A-weighted"
TERMINATION = "input on the generator, 50 ohm, at rest between bursts"
OVERLOADED = "the digitiser is overloaded without a signal: offset, hum or an oscillation"
NOT_OFF = "not read with the input off it: the bay has no contact of its own for each input"
NO_RATING = "the unit's file rates no power into this load"


@dataclass(frozen=True)
class Heard:
    """One channel: the unit on, the unit off; full_scale_v: of the range all were read on. undriven: its input off the
    generator; bare: the output contacts open; None where it was not read, or more than the range holds."""

    channel: ChannelJob
    on: Silence
    off: Silence
    full_scale_v: float
    undriven: Silence | None = None
    bare: Silence | None = None

    @cached_property
    def reading(self) -> NoiseReading:
        """Without the digitiser's own."""
        return reading_of(self.on, self.off)


def noise(job: ValueJob) -> ValueTalk:
    """Noise and hum of each channel, in the band and A-weighted; hum by its lines; signal to noise re 1 W and re the
    rated power into this load; what the digitiser makes of nothing."""
    yield Rest(job.rest_s)
    found = yield from _ranged(job)
    if isinstance(found, int):
        return Values(shots=found, reason=OVERLOADED)
    shots, scales, fired = found
    more = yield from _records(job, scales, NOISE_RECORDS - 1)
    undriven = yield from _undriven(job, scales)
    yield from switching.off(job)
    own = yield from _records(job, scales, NOISE_RECORDS)
    bare = yield from _bare(job, scales)
    yield from switching.on(job)
    count = fired + len(more) + len(undriven) + len(own) + len(bare)
    if any(record.overloaded for shot in (*more, *own) for record in shot.records.values()):
        return Values(shots=count, reason=OVERLOADED)
    heard = [_heard(job, channel, [shots, *more], own, (undriven, bare)) for channel in job.channels]
    rate_hz = 1.0 / shots.records[job.channels[0].input].sample_interval_s
    return Values(
        values=tuple(v for one in heard for v in _values(job, one, rate_hz)),
        findings=tuple(f for one in heard for f in _findings(one)),
        shots=count,
        kept=(("quiet", shots),),
        extra=_extra(job, heard) | {"noise_spectrum": _spectra(job, [shots, *more])},
    )


def _ranged(job: ValueJob) -> Generator[Request, Reply, tuple[Shot, Mapping[str, float], int] | int]:
    """The first record on ranges that just hold what is there, those ranges, and how many it took; only the latter
    where none holds it."""
    largest_v, fired = job.limits.largest_range_v, 0
    for wide_v in [*(v for v in NOISE_SCALES_V if v < largest_v), largest_v]:
        shot = yield from _quiet({c.input: wide_v for c in job.channels})
        fired += 1
        if not any(record.overloaded for record in shot.records.values()):
            break
    else:
        return fired
    scales = {c.input: SCALE_MARGIN * float(abs(shot.records[c.input].volts).max()) for c in job.channels}
    for _ in range(NOISE_TRIES):
        shot = yield from _quiet({name: min(volts, largest_v) for name, volts in scales.items()})
        fired += 1
        over = [name for name, record in shot.records.items() if record.overloaded]
        if not over:
            return shot, scales, fired
        scales |= {name: WIDER * scales[name] for name in over}
    return fired


def _quiet(scales: Mapping[str, float]) -> Generator[Request, Reply, Shot]:
    shot = shot_of((yield Quiet(SILENCE_READ_S, scales)))
    yield Rest(SILENCE_READ_S)
    return shot


def _records(job: ValueJob, scales: Mapping[str, float], count: int) -> Generator[Request, Reply, list[Shot]]:
    held = {name: min(volts, job.limits.largest_range_v) for name, volts in scales.items()}
    found: list[Shot] = []
    for _ in range(count):
        shot = yield from _quiet(held)
        found.append(shot)
    return found


def _undriven(job: ValueJob, scales: Mapping[str, float]) -> Generator[Request, Reply, list[Shot]]:
    """Inputs off the generator, where each has a contact of its own."""
    if not _apart(job):
        return []
    yield Inputs(())
    yield Rest(job.rest_s)
    found = yield from _records(job, scales, NOISE_RECORDS)
    yield Inputs(None)
    yield Rest(job.rest_s)
    return found


def _apart(job: ValueJob) -> bool:
    return {c.name for c in job.channels} <= set(job.around.bay.input_contacts)


def _bare(job: ValueJob, scales: Mapping[str, float]) -> Generator[Request, Reply, list[Shot]]:
    """The output contacts open, where there are some: nothing of the unit, which is off, is left on the digitiser."""
    if not job.around.bay.output_contacts:
        return []
    yield Outputs(False)
    found = yield from _records(job, scales, NOISE_RECORDS)
    yield Outputs(True)
    return found


def _heard(
    job: ValueJob, channel: ChannelJob, on: list[Shot], off: list[Shot], more: tuple[list[Shot], list[Shot]]
) -> Heard:
    """more: with the inputs off the generator, and with the output contacts open; empty where it cannot be."""

    def seen(shots: list[Shot]) -> Silence:
        records = [shot.records[channel.input] for shot in shots]
        return mean_of([silence_of(silent_part(r), r.sample_interval_s, job.point.mains_hz, r.step_v) for r in records])

    def if_held(shots: list[Shot]) -> Silence | None:
        held = shots and not any(shot.records[channel.input].overloaded for shot in shots)
        return seen(shots) if held else None

    full_scale_v = on[0].records[channel.input].full_scale_v
    return Heard(channel, seen(on), seen(off), full_scale_v, if_held(more[0]), if_held(more[1]))


def _values(job: ValueJob, one: Heard, rate_hz: float) -> Iterator[Value]:
    folds = f"what lies above {rate_hz / 2000.0:g} kHz is folded in"
    yield _volts(one, f"noise and hum, {BAND}", one.reading.total, f"{TERMINATION}; {folds}")
    yield _volts(one, f"noise and hum, {WEIGHTED}", one.reading.a_weighted, f"IEC 61672-1; {TERMINATION}")
    yield _volts(one, f"noise without hum, {BAND}", one.reading.rest, "mains lines up to the twentieth taken out")
    for order in TOLD_ORDERS:
        yield _hum(job, one, order)
    for name, level in ((BAND, one.reading.total), (WEIGHTED, one.reading.a_weighted)):
        yield _re(one, f"signal to noise re 1 W, {name}", 1.0, level, "1 W into the load's measured ohms")
        rating = rating_of(job)
        if rating is None:
            rated = f"signal to noise re rated power, {name}"
            yield Value(rated, None, "dB", one.channel.name, judgement="not measured", reason=NO_RATING)
        else:
            words = f"re {rating.power_w:g} W, as its file rates it into {rating.load_ohm:g} ohm"
            yield _re(one, f"signal to noise re rated power, {name}", rating.power_w, level, words)
    yield from _input_off(job, one)
    own = "of the same ranges with the unit switched off; taken away in power"
    volts = math.sqrt(one.off.rest.v2)
    yield Value(f"digitiser's own noise, {BAND}", volts, "Vrms", one.channel.name, reason=own)
    if one.bare is not None:
        words = "of the same ranges, the unit off and the output contacts open; told beside it, not taken away"
        bare_v = math.sqrt(one.bare.rest.v2)
        yield Value(f"digitiser's own noise, outputs open, {BAND}", bare_v, "Vrms", one.channel.name, reason=words)


def _input_off(job: ValueJob, one: Heard) -> Iterator[Value]:
    if not _apart(job):
        return
    hangs = job.around.bay.undriven_input or "open, as far as the bench's file says"
    words = f"input off the generator: {hangs}"
    if one.undriven is None:
        name = f"noise and hum, input off, {BAND}"
        reason = f"more than its range holds; {words}"
        yield Value(name, None, "Vrms", one.channel.name, judgement="not measured", reason=reason)
        return
    reading = reading_of(one.undriven, one.off)
    yield _volts(one, f"noise and hum, input off, {BAND}", reading.total, words)
    yield _volts(one, f"noise and hum, input off, {WEIGHTED}", reading.a_weighted, words)


def _volts(one: Heard, name: str, level: Level, reason: str) -> Value:
    if level.below_floor:
        floor = f"below {_mv(level.most_v)}: the digitiser's own noise is {_mv(level.own_v)}; {reason}"
        return Value(name, None, "Vrms", one.channel.name, judgement="below floor", reason=floor)
    parts = [Part("noise", level.u_v), *_gain_parts(one, level.volts)]
    expanded_v, factor = expanded(parts)
    return Value(name, level.volts, "Vrms", one.channel.name, expanded_v, factor, reason=reason)


def _hum(job: ValueJob, one: Heard, order: int) -> Value:
    """A line by least squares; what noise alone shows once in a thousand is none."""
    line, hz = one.reading.hum[order - 1], order * job.point.mains_hz
    if line.below_floor:
        words = f"below {_mv(line.seen_from_v)}: no more than the noise"
        return Value(f"hum {hz:g} Hz", None, "Vrms", one.channel.name, reason=words, frequency_hz=hz)
    expanded_v, factor = expanded([Part("noise", line.u_v), *_gain_parts(one, line.rms_v)])
    reason = f"at {line.frequency_hz:.2f} Hz" if order == 1 else None
    return Value(f"hum {hz:g} Hz", line.rms_v, "Vrms", one.channel.name, expanded_v, factor, None, reason, hz)


def _re(one: Heard, name: str, power_w: float, level: Level, reason: str) -> Value:
    """10 lg(P R / V^2)."""
    ohm = one.channel.load_ohm
    if level.below_floor:
        at_least = signal_to_noise_db(level.most_v, ohm, power_w)
        words = f"at least {at_least:.1f} dB: what is left is the digitiser's own noise; {reason}"
        return Value(name, None, "dB", one.channel.name, judgement="below floor", reason=words)
    load = [s for s in one.channel.sources_on(one.full_scale_v) if s.of == "resistance"]
    parts = [
        Part("noise", DB_OF_RATIO * level.u_v / level.volts),
        *_gain_parts(one, DB_OF_RATIO),
        *(Part(s.id, DB_OF_RATIO * s.standard / 2.0, s.kind) for s in load),
    ]
    expanded_db, factor = expanded(parts)
    ratio_db = signal_to_noise_db(level.volts, ohm, power_w)
    return Value(name, ratio_db, "dB", one.channel.name, expanded_db, factor, reason=reason)


def _gain_parts(one: Heard, scale: float) -> list[Part]:
    sources = one.channel.sources_on(one.full_scale_v)
    return [Part(s.id, scale * s.standard, s.kind) for s in sources if s.of == "voltage"]


def _findings(one: Heard) -> Iterator[Finding]:
    level, name = one.reading.rest, one.channel.name
    if not level.below_floor and beyond(level.volts, TOO_MUCH_VRMS, 2.0 * level.u_v):
        sentence = f"noise {_mv(level.volts)} between 20 Hz and 20 kHz, above {_mv(TOO_MUCH_VRMS)}"
        yield Finding("noise", sentence, NOISE, name)
    line = max((one.reading.hum[n - 1] for n in TOLD_ORDERS), key=lambda line: line.rms_v)
    if line.rms_v > TOO_MUCH_VRMS:
        sentence = f"hum of {line.frequency_hz:.0f} Hz, {_mv(line.rms_v)}, above {_mv(TOO_MUCH_VRMS)}"
        yield Finding("hum", sentence, HUM_100 if line.order == 2 else HUM_50, name)


def _extra(job: ValueJob, heard: list[Heard]) -> dict[str, Any]:
    """Third-octave levels, Vrms, as read and with the unit off; where the controls stood."""
    return {
        "noise_bands": {
            "middle_hz": [float(f"{hz:.4g}") for hz in thirds_hz()],
            "on_vrms": {h.channel.name: [float(f"{v2**0.5:.4g}") for v2 in h.on.thirds_v2] for h in heard},
            "off_vrms": {h.channel.name: [float(f"{v2**0.5:.4g}") for v2 in h.off.thirds_v2] for h in heard},
        },
        "records": NOISE_RECORDS,
        "record_s": SILENCE_READ_S,
        "mains_hz": job.point.mains_hz,
        "termination": TERMINATION if _apart(job) else f"{TERMINATION}; {NOT_OFF}",
        "unit_settings": job.around.unit.settings,
        "own_noise": f"read with the unit switched off by {switching.switched_by(job)}",
    }


def _spectra(job: ValueJob, shots: list[Shot]) -> dict[str, dict[str, list[float]]]:
    """By channel, Vrms of the lines as read: for the sheet's picture, nothing is judged by it."""
    found = {}
    for channel in job.channels:
        records = [shot.records[channel.input] for shot in shots]
        parts = [silent_part(record) for record in records]
        found[channel.name] = outline(parts, records[0].sample_interval_s, AUDIO_HZ).row()
    return found


def _mv(volts: float) -> str:
    return f"{1000.0 * volts:.2g} mV"
