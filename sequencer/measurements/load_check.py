"""`load_check`: ohms of a load by volts over amps, cold and after minutes of 1/8 power: what heat makes of it. Pure.

Power is volts squared over the file's ohms: what a load drifts, every steady power is wrong by. One channel at a time
hangs on the load, since one shunt sees them all.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from dataclasses import dataclass, replace

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_check_loads import NOT_ALONE, Ohms, load_findings, separable, shunt_input
from sequencer.measurements.bench_check_model import not_measured
from sequencer.measurements.bench_inputs import ToneSeen, at_most, declared_input, parts_of, sources_of, tone_seen
from sequencer.measurements.heating import RANGE_MARGIN, Tone, tone_for
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Connect, Fire, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, beyond, expanded, shot_of
from sequencer.plan.estimate_heat import HEATING_HZ, HEATING_RECORD_S
from sequencer.plan.estimate_quiet import LITTLE_CYCLES, LITTLE_DB, load_part

NO_SHUNT = "nothing reads the load's current: no input is a shunt in the load return with its ohms declared"
DRIFT_PART = 0.01  # as much as a load may differ from its file (common practice, no source)
DRIFTED = "Let it cool between tones, or state the warm ohms beside steady powers; look for a contact that heats"
NOT_SEEN = "volts or amps are not seen above the noise"


@dataclass(frozen=True)
class Seen:
    """Volts over amps in one burst. noise: relative, standard."""

    ohm: float
    noise: float
    power_w: float
    volts: ToneSeen
    amps: ToneSeen


@dataclass(frozen=True)
class Course:
    """One channel's load: at little power, at the first burst of much, at the last one. minutes: of heating."""

    channel: ChannelJob
    little: Seen
    first: Seen
    last: Seen
    minutes: float

    @property
    def drift(self) -> float:
        """Of the last burst against the first at the same power: ranges, probe and shunt are the same."""
        return self.last.ohm / self.first.ohm - 1.0

    @property
    def drift_u(self) -> float:
        return math.hypot(self.last.noise, self.first.noise)


@dataclass
class _Run:
    job: ValueJob
    shunt: str
    shots: int = 0
    trip: str | None = None


def load_check(job: ValueJob) -> ValueTalk:
    """Ohms of each channel's load at two powers, cold; at the higher one warm; and the drift between."""
    bench = job.around.bench
    shunt = shunt_input(bench)
    apart = separable(bench.load[job.point.load], [c.name for c in job.channels])
    if shunt is None or not apart:
        reason = NO_SHUNT if shunt is None else NOT_ALONE
        return Values(tuple(not_measured("load, cold", "ohm", reason, c.name) for c in job.channels), reason=reason)
    yield Rest(job.rest_s)
    tone = yield from tone_for(job, load_part(job.point))
    if isinstance(tone, str):
        return Values(reason=tone)
    run = _Run(job, shunt)
    found: list[Course | Value] = []
    for channel in job.channels:
        yield Connect(job.point.load, (channel.name,))
        yield Rest(job.rest_s)
        found.append((yield from _course(run, channel, tone)))
        if run.trip is not None:
            break
    yield Connect(job.point.load, tuple(c.name for c in job.channels))
    return Values(
        values=tuple(v for one in found for v in (_values(job, one) if isinstance(one, Course) else [one])),
        findings=tuple(f for one in found if isinstance(one, Course) for f in _findings(job, one)),
        shots=run.shots,
        trip=run.trip,
        trip_rule="supply tripped" if run.trip else None,
    )


def _course(run: _Run, channel: ChannelJob, tone: Tone) -> Generator[Request, Reply, Course | Value]:
    scales = _scales(run, channel, tone)
    little = replace(tone, level_vrms=tone.level_vrms * 10.0 ** (LITTLE_DB / 20.0), cycles=LITTLE_CYCLES)
    seen = [(yield from _burst(run, channel, _fire(little, scales)))]
    begun_ns: int | None = None
    minutes = 0.0
    while minutes < run.job.point.minutes:
        seen.append((yield from _burst(run, channel, _fire(tone, scales))))
        reading = yield ReadBench()
        assert isinstance(reading, BenchReading)
        begun_ns = reading.at_ns - round(1e9 * tone.burst_s) if begun_ns is None else begun_ns
        minutes = (reading.at_ns - begun_ns) / 60e9
        hot = any(c >= run.job.around.unit.heat.stop_c for c in reading.heatsink_c.values())
        if seen[-1] is None or hot or run.trip:
            break
    read = [one for one in seen if one is not None]
    if len(read) < max(len(seen), 2):
        return not_measured("load, cold", "ohm", NOT_SEEN, channel.name)
    low, *high = read
    return Course(channel, low, high[0], high[-1], minutes)


def _scales(run: _Run, channel: ChannelJob, tone: Tone) -> dict[str, float]:
    """The same ranges at both powers: then a change is none of theirs."""
    volts = math.sqrt(2.0 * tone.power_w[channel.name] * channel.load_ohm)
    amps_v = volts / channel.load_ohm * (declared_input(run.job.around.bench, run.shunt).ohm or 0.0)
    return {channel.input: tone.scales[channel.input], run.shunt: RANGE_MARGIN * amps_v}


def _fire(tone: Tone, scales: dict[str, float]) -> Fire:
    return Fire(tone.level_vrms, HEATING_HZ, tone.cycles, scales, "soak", last_s=HEATING_RECORD_S)


def _burst(run: _Run, channel: ChannelJob, fire: Fire) -> Generator[Request, Reply, Seen | None]:
    shot = shot_of((yield fire))
    run.shots += 1
    if shot.supply_tripped:
        run.trip = f"supply tripped ({shot.supply_tripped.replace('_', ' ')}) at {channel.name}'s load"
    return _seen(run, channel, shot)


def _seen(run: _Run, channel: ChannelJob, shot: Shot) -> Seen | None:
    """Real part of volts over amps; None where a record is overloaded or shows no tone."""
    volts, amps = (_tone(shot, name) for name in (channel.input, run.shunt))
    shunt_ohm = declared_input(run.job.around.bench, run.shunt).ohm or 0.0
    if any(shot.records[n].overloaded for n in (channel.input, run.shunt)) or not (volts.seen and amps.seen):
        return None
    ohm = (volts.phasor / amps.phasor).real * shunt_ohm
    return Seen(ohm, math.hypot(volts.relative_noise, amps.relative_noise), volts.rms_v**2 / ohm, volts, amps)


def _tone(shot: Shot, name: str) -> ToneSeen:
    """Over the whole record: it ends before the tone does."""
    times = shot.records[name].times_s
    return tone_seen(shot.records[name], HEATING_HZ, float(times[0]), float(times[-1]))


def _values(job: ValueJob, one: Course) -> Iterator[Value]:
    name = one.channel.name
    file_ohm = job.around.bench.load[job.point.load].ohm[name]
    for words, seen in (("cold", one.little), ("cold, at more power", one.first), ("warm", one.last)):
        expanded_ohm, factor = expanded(_parts(job, one, seen))
        off = 100.0 * (seen.ohm / file_ohm - 1.0)
        reason = f"at {seen.power_w:.3g} W; {file_ohm:g} ohm by the bench's file, {off:+.2f} %"
        yield Value(f"load, {words}", seen.ohm, "ohm", name, expanded_ohm, factor, None, reason, HEATING_HZ)
    expanded_pct, factor = expanded([Part("noise", 100.0 * one.drift_u)])
    reason = f"after {one.minutes:.1f} min at {one.last.power_w:.3g} W; same ranges, so of the noise alone"
    yield Value("load, warm against cold", 100.0 * one.drift, "%", name, expanded_pct, factor, None, reason, HEATING_HZ)


def _parts(job: ValueJob, one: Course, seen: Seen) -> list[Part]:
    bench = job.around.bench
    amps = parts_of(bench, shunt_input(bench) or "", seen.amps.record, seen.ohm)
    return [
        Part("noise", seen.ohm * seen.noise),
        *parts_of(bench, one.channel.input, seen.volts.record, seen.ohm),
        *(Part(p.id, -p.u, p.kind) for p in amps),
    ]


def _findings(job: ValueJob, one: Course) -> Iterator[Finding]:
    bench, name = job.around.bench, one.channel.name
    shunt = shunt_input(bench) or ""
    load, seen = bench.load[job.point.load], one.little
    sources = [
        *sources_of(bench, one.channel.input, seen.volts.record.full_scale_v),
        *sources_of(bench, shunt, seen.amps.record.full_scale_v),
    ]
    own = math.hypot(seen.noise, load.uncertainty_ohm / load.ohm[name])
    parts = tuple(_parts(job, one, seen))
    ohms = Ohms(job.point.load, name, seen.ohm, load.ohm[name], own, parts, at_most(sources) + 2.0 * own)
    yield from load_findings(ohms, [ohms])
    if beyond(abs(one.drift), DRIFT_PART, 2.0 * one.drift_u):
        sentence = (
            f"load {job.point.load} moved by {100.0 * one.drift:+.1f} % in {one.minutes:.1f} min at "
            f"{one.last.power_w:.3g} W: a steady power taken then is wrong by as much"
        )
        yield Finding("load drift", sentence, DRIFTED, name)
