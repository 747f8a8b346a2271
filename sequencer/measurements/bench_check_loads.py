"""Each load by volts and amps, and which channel it hangs on: by the shunt in the load return and by what a load
takes off an output's volts. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations

from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_check_model import Checked, LoadShots, Looked, not_measured
from sequencer.measurements.bench_check_wiring import misread_inputs
from sequencer.measurements.bench_inputs import ToneSeen, at_most, declared_input, parts_of, second_half, sources_of
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.values import Finding, Value, ValueJob, beyond, expanded
from sequencer.plan.models import Bench, Load

SHUNT = "shunt in the load return"
OFF_PART = 0.01  # from the file: more is told (common practice, no source)
BESIDE_PART = 0.011  # from another load on its channel: two healthy ones may lie 1 % apart
WRONG_PART = 0.05  # above that by more than the uncertainty it is another resistor, not a bad contact
NOT_TOLD = 5.0  # standard deviations, and at least:
LEAST_PART = 2e-4
NO_SHUNT = "no digitiser input sees a shunt in the load return, with its ohms declared"
NOT_ALONE = "its contacts connect several channels at once: no channel can be seen alone"
NOTHING_LOUDER = "the wiring is not right: nothing louder was tried"
CONTACT = "Clean and tighten its contacts and leads, then measure its ohms again at the unit's terminals"
WRONG = "Look which resistor is on these contacts before anything is driven into it"
CROSSED = "Swap the two: probes with outputs, or load contacts with outputs, as [wiring] and [load] say"


@dataclass(frozen=True)
class Ohms:
    """One load on one channel. relative: standard uncertainty of what is its own alone; parts: of all, ohm."""

    load: str
    channel: str
    ohm: float
    file_ohm: float
    relative: float
    parts: tuple[Part, ...]
    bound: float

    @property
    def off(self) -> float:
        """Part of the file's ohms that it lies above them."""
        return self.ohm / self.file_ohm - 1.0

    @property
    def off_by_file(self) -> bool:
        """By more than all that is declared can explain."""
        return abs(self.off) > max(OFF_PART, self.bound)


def loads_to_see(job: ValueJob) -> tuple[tuple[str, Load], ...]:
    """Those the unit may meet, from high to low ohms, with ohms for each channel of the point."""
    around = job.around
    names = {c.name for c in job.channels}
    fitting = [
        (name, load)
        for name, load in around.bench.load.items()
        if load.nominal_ohm >= around.unit.minimum_load_ohm and names <= set(load.ohm) and not load.by_hand
    ]
    return tuple(sorted(fitting, key=lambda item: -item[1].nominal_ohm))


def separable(load: Load, channels: Iterable[str]) -> bool:
    """Each channel has contacts of its own: it can be connected alone."""
    own = [set(load.contacts_of(name)) for name in channels]
    return all(not one & other for one, other in combinations(own, 2))


def loads_to_connect(job: ValueJob) -> tuple[tuple[str, Load], ...]:
    """Those of `loads_to_see` that one channel can be given alone."""
    names = [c.name for c in job.channels]
    return tuple((name, load) for name, load in loads_to_see(job) if separable(load, names))


def shunt_input(bench: Bench) -> str | None:
    """The input that sees the load current; None where there is none, or its ohms are not declared."""
    name = bench.input_for(SHUNT)
    return name if name is not None and declared_input(bench, name).ohm else None


def loads(looked: Looked) -> Checked:
    """Volts over amps of each, against the file; and output resistance, which also tells crossed channels."""
    crossing = _crossing(looked)
    misread = misread_inputs(looked)
    shunt = shunt_input(looked.job.around.bench)
    if shunt is None or not looked.loads:
        tried = NOTHING_LOUDER if loads_to_connect(looked.job) else NOT_ALONE
        reason = NO_SHUNT if shunt is None else tried
        names = [(name, c.name) for name, _ in loads_to_see(looked.job) for c in looked.job.channels]
        missing = tuple(not_measured(_title(name), "ohm", reason, channel) for name, channel in names)
        return Checked((*missing, *crossing.values), crossing.findings)
    sound = [one for one in looked.loads if _channel(looked, one.channel).input not in misread]
    ohms = [found for one in sound if (found := _ohms(looked, one, shunt)) is not None]
    values = (*(_value(one) for one in ohms), *_inseparable(looked.job))
    if crossing.findings:  # each load would be held against the other channel's volts
        return Checked((*values, *crossing.values), crossing.findings)
    findings = tuple(f for one in ohms for f in load_findings(one, ohms))
    wrong = next((f.sentence for f in findings if f.kind == "wrong load"), None)
    return Checked((*values, *crossing.values), findings, f"not driven: {wrong}" if wrong else None)


def _inseparable(job: ValueJob) -> Iterator[Value]:
    names = [c.name for c in job.channels]
    for name, load in loads_to_see(job):
        if not separable(load, names):
            for channel in names:
                yield not_measured(_title(name), "ohm", NOT_ALONE, channel)


def _channel(looked: Looked, name: str) -> ChannelJob:
    return next(c for c in looked.job.channels if c.name == name)


def _title(load: str) -> str:
    return f"load {load} by volts and amps"


def _ohms(looked: Looked, one: LoadShots, shunt: str) -> Ohms | None:
    """Real part of volts over amps, mean of all bursts."""
    bench = looked.job.around.bench
    channel = _channel(looked, one.channel)
    shunt_ohm = declared_input(bench, shunt).ohm or 0.0
    found, noise = [], 0.0
    for shot in one.shots:
        volts, amps = (
            second_half(shot.records[n], shot.request.frequency_hz, shot.request.cycles) for n in (channel.input, shunt)
        )
        if not (volts.seen and amps.seen):
            return None
        found.append((volts.phasor / amps.phasor).real * shunt_ohm)
        noise = math.hypot(volts.relative_noise, amps.relative_noise) / math.sqrt(len(one.shots))
    load = bench.load[one.load]
    ohm, file_ohm = sum(found) / len(found), load.ohm[one.channel]
    own = math.hypot(noise, load.uncertainty_ohm / file_ohm)
    sources = [
        *sources_of(bench, channel.input, volts.record.full_scale_v),
        *sources_of(bench, shunt, amps.record.full_scale_v),
    ]
    parts = (
        Part("noise", ohm * noise),
        *parts_of(bench, channel.input, volts.record, ohm),
        *(Part(p.id, -p.u, p.kind) for p in parts_of(bench, shunt, amps.record, ohm)),
    )
    return Ohms(one.load, one.channel, ohm, file_ohm, own, parts, at_most(sources) + 2.0 * own)


def _value(one: Ohms) -> Value:
    expanded_ohm, factor = expanded(one.parts)
    reason = f"{one.file_ohm:g} ohm by the bench's file, {100.0 * one.off:+.2f} %"
    return Value(_title(one.load), one.ohm, "ohm", one.channel, expanded_ohm, factor, reason=reason)


def load_findings(one: Ohms, ohms: list[Ohms]) -> Iterator[Finding]:
    """Against the file, beyond all that is declared; and against the other loads on the same channel, where ranges,
    probe and shunt are shared and only what is the load's own remains."""
    off = one.off if one.off_by_file else _beside_others(one, ohms)
    if not off:
        return
    size = f"load {one.load} is {one.ohm:.3f} ohm, {100.0 * off:+.1f} % from its file's {one.file_ohm:g}"
    if beyond(abs(off), WRONG_PART, (expanded(one.parts)[0] or 0.0) / one.file_ohm):
        yield Finding("wrong load", f"{size}: wrong load", WRONG, one.channel)
    elif off > 0.0:
        yield Finding("contact or lead resistance", f"{size}: contact or lead resistance", CONTACT, one.channel)
    else:
        yield Finding("load resistance", size, "Measure its ohms again at the unit's terminals", one.channel)


def _beside_others(one: Ohms, ohms: list[Ohms]) -> float:
    """How far it lies above the least of the others on its channel, as a part; 0 where that is nothing: contacts and
    leads only ever add ohms, so the one that lies higher is the one to look at."""
    others = [o for o in ohms if o.channel == one.channel and o.load != one.load and not o.off_by_file]
    if not others:
        return 0.0
    least = min(others, key=lambda o: o.off)
    more = (1.0 + one.off) / (1.0 + least.off) - 1.0
    return more if more > max(BESIDE_PART, 3.0 * math.hypot(one.relative, least.relative)) else 0.0


def _crossing(looked: Looked) -> Checked:
    """A load takes a little off the volts of the output it hangs on, and of no other."""
    steepest = _lowest_load(looked.loads)
    if len(steepest) < 2:
        return Checked()
    drops = {name: _drop(looked, name, steepest) for name in steepest}
    values = tuple(_output_value(looked, name, drop, steepest) for name, drop in drops.items())
    if all(drop < -max(NOT_TOLD * u, LEAST_PART) for drop, u in drops.values()):
        names = " and ".join(drops)
        sentence = f"channels {names} are crossed: the volts of each fall when the load of the other is connected"
        return Checked((), (Finding("channels crossed", sentence, CROSSED),))
    return Checked(values)


def _lowest_load(seen: tuple[LoadShots, ...]) -> Mapping[str, LoadShots]:
    """By channel; the last ones are those of the lowest ohms."""
    return {one.channel: one for one in seen}


def _tones(looked: Looked, name: str, one: LoadShots) -> list[ToneSeen]:
    channel = _channel(looked, name)
    return [second_half(s.records[channel.input], s.request.frequency_hz, s.request.cycles) for s in one.shots]


def _drop(looked: Looked, name: str, seen: Mapping[str, LoadShots]) -> tuple[float, float]:
    """Volts without its load over volts with it, less one; and its standard uncertainty. One range, one level."""
    own = _tones(looked, name, seen[name])
    other = _tones(looked, name, next(one for channel, one in seen.items() if channel != name))
    if not all(t.seen for t in (*own, *other)):
        return 0.0, math.inf
    ratio = sum(t.rms_v for t in other) / len(other) / (sum(t.rms_v for t in own) / len(own)) - 1.0
    return ratio, math.hypot(
        own[0].relative_noise / math.sqrt(len(own)), other[0].relative_noise / math.sqrt(len(other))
    )


def _output_value(looked: Looked, name: str, drop: tuple[float, float], seen: Mapping[str, LoadShots]) -> Value:
    ratio, u = drop
    ohm = looked.job.around.bench.load[seen[name].load].ohm[name]
    if math.isinf(u):
        return not_measured("output resistance", "ohm", "no output seen above the noise", name)
    expanded_ohm, factor = expanded([Part("noise", ohm * u)])
    reason = f"by what {seen[name].load} takes off the volts; up to the terminals where the volts are seen"
    return Value("output resistance", ohm * ratio, "ohm", name, expanded_ohm, factor, reason=reason)


def silent_but_driving(looked: Looked) -> Iterator[Finding]:
    """An output whose probe sees nothing, while the shunt sees its load's current: the probe is off, not the unit."""
    shunt = shunt_input(looked.job.around.bench)
    silent = {c.name for c in looked.channels if c.gain_db is None}
    for channel, one in _lowest_load(looked.loads).items() if shunt else ():
        shot = one.shots[0]
        amps = second_half(shot.records[shunt or ""], shot.request.frequency_hz, shot.request.cycles)
        if channel in silent and amps.seen:
            seen = f"the load on channel {channel} draws current, but {_channel(looked, channel).input} sees no volts"
            remedy = "Look at the probe, its wire, its clip: it may be on the terminal that is not live"
            yield Finding("probe off", f"{seen}: the output works, its probe does not see it", remedy, channel)
