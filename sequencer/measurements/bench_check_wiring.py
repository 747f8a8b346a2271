"""Which output answers on which input, how large, in which sense; and whether it is the unit its serial says. Pure."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator

import numpy as np

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_check_model import ChannelSeen, Checked, Looked, not_measured
from sequencer.measurements.bench_check_silence import silent_rms
from sequencer.measurements.bench_inputs import ToneSeen, declared_input, second_half
from sequencer.measurements.gain import DB_OF_RATIO, NOT_DECLARED
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Shot
from sequencer.measurements.values import Finding, Value, expanded
from sequencer.plan.models import UnitChannel

PROBE_DB, PROBE_WITHIN_DB = 20.0, 1.0  # a probe at x1 for x10, or x10 for x1
GAIN_WITHIN_DB = 1.0  # of the file (common practice, no source)
HOLDS_WITHIN_DB = 0.3  # between 50 mV and 0.4 V, on one range (common practice, no source)
LAST_WITHIN_DB = 0.3  # of this serial's last gain (common practice, no source)
LAST_WITHIN_PART = 0.25  # of its last idle and standby current (common practice, no source)
LAST_WITHIN_A = 0.005  # and never judged finer than that
ENOUGH_TO_DOUBT = 2  # quantities: one that has moved is a change, two together are another unit
SHORT_A = 0.1  # more supply current under a tone of 50 mV than any load takes
LESS_DB = 1.0  # so much below the file the supply current is looked at
STAGE_NOISE_STEPS = 1.0  # of the other channel: only then its noise is the stage's, not the converter's
ALIKE_NOISE = 0.7


def channel_seen(job: ChannelJob, shot: Shot) -> ChannelSeen:
    """One channel of the first tone; the sense by the burst's own first half cycle, which no delay turns round."""
    record, fire = shot.records[job.input], shot.request
    tone = second_half(record, fire.frequency_hz, fire.cycles)
    if not tone.seen:
        return ChannelSeen(job, tone, None)
    gain_db = 20.0 * math.log10(tone.rms_v / shot.level_vrms)
    return ChannelSeen(job, tone, gain_db, sense(tone, fire.frequency_hz))


def sense(tone: ToneSeen, frequency_hz: float) -> int:
    """1 where the burst begins upwards, -1 where downwards, by its phase at the instant where it begins.

    A mean over one cycle, turned back by the tone, rises in a straight line while it slides over the beginning: at
    half its level it lies there by its half. An error below a quarter of a cycle does no harm.
    """
    record = tone.record
    times, size = record.times_s, max(2, round(1.0 / frequency_hz / record.sample_interval_s))
    beside_v = record.volts - record.volts.mean()  # whole cycles: what is left over is the offset
    turned = np.cumsum(beside_v * np.exp(-2j * math.pi * frequency_hz * times))
    turned = np.concatenate([np.zeros(size + 1), turned])  # the silence before a record is as good as one within it
    level_v = 2.0 * np.abs(turned[size:] - turned[:-size]) / size
    first = int(np.argmax(level_v >= 0.5 * abs(tone.phasor)))
    begin_s = float(times[0]) + (first - size / 2.0) * record.sample_interval_s
    begins = tone.phasor * cmath.exp(1j * (2.0 * math.pi * frequency_hz * begin_s + math.pi / 2.0))
    return 1 if begins.real > 0.0 else -1


def suspicious(channel: ChannelSeen) -> bool:
    """Nothing, or too little: the supply's current tells whether it is shorted."""
    less = channel.against_file_db
    return less is None or less < -LESS_DB


def wiring(looked: Looked) -> Checked:
    """What answers, how large and in which sense, at the live terminal of each channel."""
    values = tuple(v for one in looked.channels for v in _values(looked, one))
    short = _shorted(looked)
    findings = [*_answers(looked, short), *_probes(looked), *_senses(looked)]
    wrong = f"not driven: the output of channel {', '.join(short)} looks shorted" if short else None
    if wrong is None and (misread := misread_inputs(looked)):
        wrong = f"not driven: the probe of {', '.join(misread)} is not set as its file says"
    return Checked(values, tuple(findings), wrong)


def _values(looked: Looked, one: ChannelSeen) -> Iterator[Value]:
    terminal = _declared(looked, one).live_terminal
    if one.gain_db is None:
        yield not_measured("gain, wiring tone", "dB", "no output seen above the noise", one.name)
        yield not_measured(f"live terminal, {terminal}", "V", "no output seen at it", one.name)
        return
    parts = [Part("noise", DB_OF_RATIO * one.tone.relative_noise)]
    sources = one.job.sources_on(one.tone.record.full_scale_v)
    parts += [Part(s.id, DB_OF_RATIO * s.standard, s.kind) for s in sources if s.of == "voltage"]
    expanded_db, factor = expanded(parts)
    yield Value(
        "gain, wiring tone", one.gain_db, "dB", one.name, expanded_db, factor,
        reason=NOT_DECLARED, frequency_hz=looked.tone_hz,
    )  # fmt: skip
    yield Value(
        f"live terminal, {terminal}", one.tone.rms_v, "V", one.name,
        reason="the wiring tone stands at it", frequency_hz=looked.tone_hz,
    )  # fmt: skip


def _declared(looked: Looked, one: ChannelSeen) -> UnitChannel:
    return next(c for c in looked.job.around.unit.channel if c.name == one.name)


def _shorted(looked: Looked) -> tuple[str, ...]:
    """Those that give less than they should while the supply gives more than any load takes."""
    if looked.with_tone is None:
        return ()
    loads_a = sum(c.tone.rms_v / c.job.load_ohm for c in looked.channels)
    if math.isnan(looked.with_tone.supply_a - looked.idle_a):  # nothing reads the supply's current
        return ()
    if looked.with_tone.supply_a - looked.idle_a - 2.0 * loads_a < SHORT_A:
        return ()
    return tuple(one.name for one in looked.channels if suspicious(one))


def _answers(looked: Looked, short: tuple[str, ...]) -> Iterator[Finding]:
    for one in looked.channels:
        if one.name in short and looked.with_tone is not None:
            rise_a = looked.with_tone.supply_a - looked.idle_a
            sentence = f"the supply gives {rise_a:.2f} A more under a tone of 50 mV, and the output shows too little"
            yield Finding(
                "shorted output", f"{sentence}: it looks shorted", "Open the output: find the short", one.name
            )
        elif one.gain_db is None:
            terminal = _declared(looked, one).live_terminal
            remedy = f"Look at its input, mute, output relay, probe; the file says {terminal} is the live terminal"
            yield Finding("no output", f"no output at a harmless level: {_why_silent(looked, one)}", remedy, one.name)


def _why_silent(looked: Looked, one: ChannelSeen) -> str:
    """As far as it can be told: a stage that is alive makes noise; a wire that hangs free makes none of it."""
    others = [c for c in looked.channels if c.gain_db is not None]
    if looked.quiet is None or not others:
        return "dead, open or not connected"
    other, own = looked.quiet.records[others[0].job.input], looked.quiet.records[one.job.input]
    other_v = silent_rms(other)
    if other_v < STAGE_NOISE_STEPS * other.step_v:
        return "dead, open or not connected; the digitiser's own noise hides which"
    if silent_rms(own) > ALIKE_NOISE * other_v:
        return "its stage is alive, for its noise is there; the signal does not get through"
    return "not even the noise of a stage is there: open, not connected, or without power"


def _probes(looked: Looked) -> Iterator[Finding]:
    for one in looked.channels:
        off_db = one.against_file_db
        if off_db is not None and _like_probe(off_db):
            yield probe_finding(looked, one.job.input, off_db > 0.0, f"gain {off_db:+.1f} dB from the file", one.name)


def misread_inputs(looked: Looked) -> tuple[str, ...]:
    """Inputs whose volts are a probe's switch away from what they are."""
    return tuple(
        c.job.input for c in looked.channels if c.against_file_db is not None and _like_probe(c.against_file_db)
    )


def probe_finding(looked: Looked, name: str, too_much: bool, seen: str, channel: str | None = None) -> Finding:
    """A probe's switch that does not stand where the bench's file says."""
    factor = declared_input(looked.job.around.bench, name).factor
    really = factor / 10.0 if too_much else factor * 10.0
    sentence = f"{seen}: the probe of {name} is set x{really:g}, its file says x{factor:g}"
    return Finding(
        "probe", sentence, f"Set the probe of {name} to x{factor:g}, or correct input.{name}.factor", channel
    )


def _like_probe(off_db: float) -> bool:
    return abs(abs(off_db) - PROBE_DB) <= PROBE_WITHIN_DB


def _senses(looked: Looked) -> Iterator[Finding]:
    for one in looked.channels:
        expected = -1 if _declared(looked, one).inverted else 1
        if one.sign and one.sign != expected:
            words = "inverted" if one.sign < 0 else "not inverted"
            sentence = f"the channel is {words}, its file says otherwise"
            remedy = (
                "Look which terminal the clips are on, or correct the channel's `inverted`; never join the channels"
            )
            yield Finding("polarity", sentence, remedy, one.name)


def gains(looked: Looked) -> Checked:
    """Whether a gain holds from 50 mV to 0.4 V; whether it is this serial's, and its file's."""
    short, depends = _shorted(looked), tuple(_depends(looked))
    out = {*short, *(f.channel for f in depends)}
    sound = [
        c for c in looked.channels
        if c.against_file_db is not None and not _like_probe(c.against_file_db) and c.name not in out
    ]  # fmt: skip
    return Checked((), (*depends, *_gains(looked, sound)))


def _depends(looked: Looked) -> Iterator[Finding]:
    """A dead zone about zero takes more from a small tone than from a large one; so does a dirty contact."""
    for one in looked.channels:
        shots = next((s.shots for s in looked.loads if (s.load, s.channel) == (looked.job.point.load, one.name)), ())
        if one.gain_db is None or not shots or shots[0].records[one.job.input].overloaded:
            continue
        fire = shots[0].request
        louder = second_half(shots[0].records[one.job.input], fire.frequency_hz, fire.cycles)
        louder_db = 20.0 * math.log10(louder.rms_v / shots[0].level_vrms) if louder.seen else one.gain_db
        if abs(louder_db - one.gain_db) > HOLDS_WITHIN_DB:
            sentence = (
                f"gain {one.gain_db:.2f} dB at {1000.0 * one.tone.rms_v:.1f} mV, {louder_db:.2f} dB at "
                f"{1000.0 * louder.rms_v:.0f} mV: a dead zone or a bad contact"
            )
            remedy = "Look at the idle current of its stage; clean output relay and input contacts"
            yield Finding("gain depends on level", sentence, remedy, one.name)


def _gains(looked: Looked, sound: list[ChannelSeen]) -> Iterator[Finding]:
    """Against this serial's last figures, if there are any; else, and if they fit, against the file."""
    moved = [*_moved_gains(looked, sound), *_moved_amps(looked)]
    if len(moved) >= ENOUGH_TO_DOUBT:
        serial = looked.job.around.unit.serial
        sentence = f"this is not the unit its serial {serial} says: {'; '.join(moved)}"
        yield Finding("not the unit expected", sentence, "Read the serial on the unit in this bay")
        return
    for one in sound:
        off_db = one.against_file_db or 0.0
        if abs(off_db) > GAIN_WITHIN_DB:
            sentence = f"gain {one.gain_db:.2f} dB, {off_db:+.2f} dB from the file's {one.job.gain_db:g}"
            yield Finding(
                "gain not as its file", sentence, "Set the level control to its mark, or correct gain_db", one.name
            )


def _moved_gains(looked: Looked, sound: list[ChannelSeen]) -> Iterator[str]:
    last = looked.job.around.unit.fingerprint.gain_db
    for one in sound:
        if one.name in last and one.gain_db is not None and abs(one.gain_db - last[one.name]) > LAST_WITHIN_DB:
            yield f"gain {one.name} {one.gain_db:.1f} dB, last measured {last[one.name]:.1f}"


def _moved_amps(looked: Looked) -> Iterator[str]:
    last = looked.job.around.unit.fingerprint
    for what, now_a, last_a in (
        ("idle current", looked.idle_a, last.idle_a),
        ("standby current", _standby_a(looked), last.standby_a),
    ):
        if (
            now_a is not None
            and last_a is not None
            and abs(now_a - last_a) > max(LAST_WITHIN_PART * last_a, LAST_WITHIN_A)
        ):
            yield f"{what} {now_a:.3g} A, last measured {last_a:.3g}"


def _standby_a(looked: Looked) -> float | None:
    """As `first_power` read it, if it did."""
    for row in looked.job.around.earlier:
        for value in row.get("values", ()) if row.get("measurement") == "first_power" else ():
            if value["name"] == "standby current":
                found: float | None = value["value"]
                return found
    return None
