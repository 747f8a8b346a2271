"""`noise`: what an output gives without a signal: noise and hum, and how far below 1 W and the rated power they lie.

The digitiser's own noise is read with the unit switched off, on the same ranges, and taken away in power. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.silence import TOLD_ORDERS, Silence, mean_of, silence_of, thirds_hz
from sequencer.analysis.uncertainty import Part
from sequencer.measurements import switching
from sequencer.measurements.bench_check_silence import HUM_50, HUM_100, NOISE, TOO_MUCH_VRMS
from sequencer.measurements.known_limit import rating_of
from sequencer.measurements.output_offset import silent_part
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Quiet, Reply, Request, Rest, Shot
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, shot_of
from sequencer.plan.estimate_quiet import NOISE_RECORDS, NOISE_SCALES_V, NOISE_TRIES
from sequencer.plan.window import SILENCE_READ_S

SCALE_MARGIN = 1.6  # of the largest excursion seen: noise has no largest value
WIDER = 2.5
LINE_SEEN = 4.0  # times its own uncertainty: below it noise alone may show as much (1 in 3,000, Rayleigh)
FLOOR_U = 2.0  # the difference must be that many of its own uncertainty, else it is below the floor
DB_OF_RATIO = 20.0 / math.log(10.0)
BAND, WEIGHTED = "20 Hz to 20 kHz", "A-weighted"
TERMINATION = "input on the generator, 50 ohm, at rest between bursts"
OVERLOADED = "the digitiser is overloaded without a signal: offset, hum or an oscillation"
NO_RATING = "the unit's file rates no power into this load"


@dataclass(frozen=True)
class Level:
    """One power of noise, V^2, its standard uncertainty; own_v2: the digitiser's, already taken away."""

    v2: float
    u_v2: float
    own_v2: float
    hum_v2: float = 0.0

    @property
    def seen(self) -> bool:
        return self.v2 > FLOOR_U * self.u_v2

    @property
    def volts(self) -> float:
        return math.sqrt(self.v2 + self.hum_v2)

    @property
    def at_most_v(self) -> float:
        return math.sqrt(max(self.v2, 0.0) + FLOOR_U * self.u_v2 + self.hum_v2)

    @property
    def relative_u(self) -> float:
        """Of the volts, by the noise alone."""
        return self.u_v2 / (2.0 * (self.v2 + self.hum_v2))


@dataclass(frozen=True)
class Heard:
    """One channel: the unit on, the unit off; full_scale_v: of the range both were read on."""

    channel: ChannelJob
    on: Silence
    off: Silence
    full_scale_v: float

    def noise(self) -> Level:
        u = math.hypot(self.on.band_u_v2, self.off.band_u_v2)
        return Level(self.on.band_v2 - self.off.band_v2, u, self.off.band_v2)

    def total(self) -> Level:
        """Noise and hum of the band."""
        one = self.noise()
        return Level(one.v2, one.u_v2, one.own_v2, self.on.hum_v2)

    def weighted(self) -> Level:
        """Noise and hum, A-weighted."""
        u = math.hypot(self.on.a_u_v2, self.off.a_u_v2)
        return Level(self.on.a_v2 - self.off.a_v2, u, self.off.a_v2, self.on.hum_a_v2)


def noise(job: ValueJob) -> ValueTalk:
    """Noise and hum of each channel, in the band and A-weighted; hum by its lines; signal to noise re 1 W and re the
    rated power into this load; what the digitiser makes of nothing."""
    yield Rest(job.rest_s)
    found = yield from _ranged(job)
    if isinstance(found, int):
        return Values(shots=found, reason=OVERLOADED)
    shots, scales, fired = found
    more = yield from _records(job, scales, NOISE_RECORDS - 1)
    yield from switching.off(job)
    own = yield from _records(job, scales, NOISE_RECORDS)
    yield from switching.on(job)
    count = fired + len(more) + len(own)
    if any(record.overloaded for shot in (*more, *own) for record in shot.records.values()):
        return Values(shots=count, reason=OVERLOADED)
    heard = [_heard(job, channel, [shots, *more], own) for channel in job.channels]
    rate_hz = 1.0 / shots.records[job.channels[0].input].sample_interval_s
    return Values(
        values=tuple(v for one in heard for v in _values(job, one, rate_hz)),
        findings=tuple(f for one in heard for f in _findings(one)),
        shots=count,
        kept=(("quiet", shots),),
        extra=_extra(job, heard),
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


def _heard(job: ValueJob, channel: ChannelJob, on: list[Shot], off: list[Shot]) -> Heard:
    def seen(shots: list[Shot]) -> Silence:
        records = [shot.records[channel.input] for shot in shots]
        return mean_of([silence_of(silent_part(r), r.sample_interval_s, job.point.mains_hz) for r in records])

    return Heard(channel, seen(on), seen(off), on[0].records[channel.input].full_scale_v)


def _values(job: ValueJob, one: Heard, rate_hz: float) -> Iterator[Value]:
    folds = f"what lies above {rate_hz / 2000.0:g} kHz is folded in"
    yield _volts(one, f"noise and hum, {BAND}", one.total(), f"{TERMINATION}; {folds}")
    yield _volts(one, f"noise and hum, {WEIGHTED}", one.weighted(), f"IEC 61672-1; {TERMINATION}")
    yield _volts(one, f"noise without hum, {BAND}", one.noise(), "mains lines up to the tenth taken out")
    for order in TOLD_ORDERS:
        yield _hum(job, one, order)
    for name, level in ((BAND, one.total()), (WEIGHTED, one.weighted())):
        yield _re(one, f"signal to noise re 1 W, {name}", 1.0, level, "1 W into the load's measured ohms")
        rating = rating_of(job)
        if rating is None:
            rated = f"signal to noise re rated power, {name}"
            yield Value(rated, None, "dB", one.channel.name, judgement="not measured", reason=NO_RATING)
        else:
            words = f"re {rating.power_w:g} W, as its file rates it into {rating.load_ohm:g} ohm"
            yield _re(one, f"signal to noise re rated power, {name}", rating.power_w, level, words)
    own = "of the same ranges with the unit switched off; taken away in power"
    volts = math.sqrt(one.off.band_v2)
    yield Value(f"digitiser's own noise, {BAND}", volts, "Vrms", one.channel.name, reason=own)


def _volts(one: Heard, name: str, level: Level, reason: str) -> Value:
    if not level.seen:
        floor = f"below {_mv(level.at_most_v)}: the digitiser's own noise is {_mv(math.sqrt(level.own_v2))}; {reason}"
        return Value(name, None, "Vrms", one.channel.name, judgement="below floor", reason=floor)
    parts = [Part("noise", level.volts * level.relative_u), *_gain_parts(one, level.volts)]
    expanded_v, factor = expanded(parts)
    return Value(name, level.volts, "Vrms", one.channel.name, expanded_v, factor, reason=reason)


def _hum(job: ValueJob, one: Heard, order: int) -> Value:
    """A line by least squares: of a fitted amplitude in noise of density d, u = sqrt(d) per record length."""
    volts = one.on.hum_v[order]
    noise_v = math.sqrt(one.on.band_v2 / (one.on.freedom / 2.0)) / math.sqrt(2.0)
    hz = order * job.point.mains_hz
    if volts < LINE_SEEN * noise_v:
        words = f"below {_mv(LINE_SEEN * noise_v)}: no more than the noise"
        return Value(f"hum {hz:g} Hz", None, "Vrms", one.channel.name, reason=words, frequency_hz=hz)
    expanded_v, factor = expanded([Part("noise", noise_v), *_gain_parts(one, volts)])
    reason = f"at {order * one.on.mains_hz:.2f} Hz" if order == 1 else None
    return Value(f"hum {hz:g} Hz", volts, "Vrms", one.channel.name, expanded_v, factor, None, reason, hz)


def _re(one: Heard, name: str, power_w: float, level: Level, reason: str) -> Value:
    """10 lg(P R / V^2)."""
    signal_v = math.sqrt(power_w * one.channel.load_ohm)
    if not level.seen:
        at_least = 20.0 * math.log10(signal_v / level.at_most_v)
        words = f"at least {at_least:.1f} dB: what is left is the digitiser's own noise; {reason}"
        return Value(name, None, "dB", one.channel.name, judgement="below floor", reason=words)
    load = [s for s in one.channel.sources_on(one.full_scale_v) if s.of == "resistance"]
    parts = [
        Part("noise", DB_OF_RATIO * level.relative_u),
        *_gain_parts(one, DB_OF_RATIO),
        *(Part(s.id, DB_OF_RATIO * s.standard / 2.0, s.kind) for s in load),
    ]
    expanded_db, factor = expanded(parts)
    ratio_db = 20.0 * math.log10(signal_v / level.volts)
    return Value(name, ratio_db, "dB", one.channel.name, expanded_db, factor, reason=reason)


def _gain_parts(one: Heard, scale: float) -> list[Part]:
    sources = one.channel.sources_on(one.full_scale_v)
    return [Part(s.id, scale * s.standard, s.kind) for s in sources if s.of == "voltage"]


def _findings(one: Heard) -> Iterator[Finding]:
    level, name = one.noise(), one.channel.name
    if level.seen and beyond(level.volts, TOO_MUCH_VRMS, 2.0 * level.volts * level.relative_u):
        sentence = f"noise {_mv(level.volts)} between 20 Hz and 20 kHz, above {_mv(TOO_MUCH_VRMS)}"
        yield Finding("noise", sentence, NOISE, name)
    order = max(TOLD_ORDERS, key=lambda n: one.on.hum_v[n])
    if one.on.hum_v[order] > TOO_MUCH_VRMS:
        sentence = f"hum of {order * one.on.mains_hz:.0f} Hz, {_mv(one.on.hum_v[order])}, above {_mv(TOO_MUCH_VRMS)}"
        yield Finding("hum", sentence, HUM_100 if order == 2 else HUM_50, name)


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
        "termination": TERMINATION,
        "unit_settings": job.around.unit.settings,
        "own_noise": f"read with the unit switched off by {switching.switched_by(job)}",
    }


def _mv(volts: float) -> str:
    return f"{1000.0 * volts:.2g} mV"
