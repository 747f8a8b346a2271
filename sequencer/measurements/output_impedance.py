"""`output_impedance`: the resistance behind an output, from its volts into two loads, and the damping factor.

With e behind Rs, U1 = e R1/(R1 + Rs) and U2 = e R2/(R2 + Rs): q = U1/U2 gives Rs = (q - 1) R1 R2/(R1 - q R2), which for
R1 without end is the textbook's R2 (U0/U2 - 1). Both loads are read on one range at one level, in turn: gain, probe
and generator cancel. What is left is the loads' ohms and how well volts repeat; a resistance below that is told as
"below". Leads and contacts between the unit and the point where volts are read count in. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.second_order import second_order
from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_inputs import second_half
from sequencer.measurements.requests import Connect, Fire, Reply, Request, Rest, Shot
from sequencer.measurements.small_tones import RANGE_FACTOR, power_of, reference_of
from sequencer.measurements.tone_bursts import LIMITED, OVERLOADS, prove
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, scatter, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_response import IMPEDANCE_REPEATS
from sequencer.plan.models import Load
from sequencer.plan.points import hertz
from sequencer.plan.window import GAIN_HARMONICS, gain_cycles

INDUCTIVE_PART = 0.1  # of its ohms: then a load's volts are 0.5 % off those of its resistance alone
ONE_LOAD = "two loads are needed: the bench has none of lower ohms that this unit may see"
NOT_SEEN = "no output seen above the noise"
OHMS = "Measure both loads again at the unit's terminals: a source gives no more volts into fewer ohms"


@dataclass(frozen=True)
class Source:
    """One output at one tone. ohm: behind it; expanded_ohm: 95 %, with its factor. ratio: U1 over U2."""

    channel: str
    frequency_hz: float
    ratio: float
    ohm: float
    parts: tuple[Part, ...]

    @property
    def expanded_ohm(self) -> float:
        return expanded(self.parts)[0] or 0.0

    @property
    def is_seen(self) -> bool:
        """Above its own uncertainty."""
        return self.ohm > self.expanded_ohm

    @property
    def most_ohm(self) -> float:
        """The upper end of what it may be."""
        return max(self.ohm, 0.0) + self.expanded_ohm


@dataclass
class _Course:
    """volts: (load, channel, Hz) -> rms of each repeat."""

    volts: dict[tuple[str, str, float], list[float]] = field(default_factory=dict)
    shots: int = 0
    ended: str | None = None


def source_ohm(volts_ratio: float, first_ohm: float, second_ohm: float) -> float:
    """Rs of two loads, first_ohm > second_ohm; negative where the ratio is below 1. ValueError beyond R1/R2."""
    left = first_ohm - volts_ratio * second_ohm
    if left <= 0.0:
        words = f"loads of {first_ohm:g} and {second_ohm:g} ohm cannot give volts in the ratio {volts_ratio:g}"
        raise ValueError(words)
    return (volts_ratio - 1.0) * first_ohm * second_ohm / left


def output_impedance(job: ValueJob) -> ValueTalk:
    """All tones into one load, then into the other, so many times over."""
    point, bench = job.point, job.around.bench
    if point.second_load is None:
        return Values(reason=ONE_LOAD)
    loads = {name: bench.load[name] for name in (point.load, point.second_load)}
    gains = yield from prove(job, reference_of(point.frequencies_hz))
    if isinstance(gains, str):
        return Values(shots=1, reason=gains)
    course = _Course(shots=1)
    for _ in range(IMPEDANCE_REPEATS):
        for name in loads:
            yield Connect(name, point.channels)
            yield Rest(job.rest_s)
            yield from _tones(job, name, _level(job, loads, gains), loads, course)
            if course.ended is not None:
                break
    yield Connect(point.load, point.channels)
    if course.ended is not None:
        return Values(shots=course.shots, reason=course.ended)
    return _values(job, loads, course)


def _level(job: ValueJob, loads: Mapping[str, Load], gains: Mapping[str, float]) -> float:
    """The small power into the lower load at most."""
    power_w = power_of(job)
    level = min(
        math.sqrt(power_w * load.ohm[c.name]) / ratio(gains[c.name]) for load in loads.values() for c in job.channels
    )
    return min(level, job.limits.generator_vrms)


def _tones(
    job: ValueJob, load: str, level: float, loads: Mapping[str, Load], course: _Course
) -> Generator[Request, Reply, None]:
    crest_v = RANGE_FACTOR * math.sqrt(2.0 * power_of(job) * max(one.nominal_ohm for one in loads.values()))
    scales = {c.input: min(crest_v, job.limits.largest_range_v) for c in job.channels}
    for hz in job.point.frequencies_hz:
        shot = shot_of((yield Fire(level, hz, gain_cycles(hz), scales, "response", harmonics=GAIN_HARMONICS)))
        course.shots += 1
        yield Rest(job.rest_s)
        course.ended = _ended(shot)
        if course.ended is not None:
            return
        for channel in job.channels:
            seen = second_half(shot.records[channel.input], hz, shot.request.cycles)
            if seen.seen:
                course.volts.setdefault((load, channel.name, hz), []).append(seen.rms_v)


def _ended(shot: Shot) -> str | None:
    if shot.supply_limited or shot.supply_tripped:
        return LIMITED
    return OVERLOADS if any(record.overloaded for record in shot.records.values()) else None


def _values(job: ValueJob, loads: Mapping[str, Load], course: _Course) -> Values:
    values: list[Value] = []
    found: list[Source] = []
    for hz in job.point.frequencies_hz:
        for channel in job.channels:
            why = _inductive(loads, hz)
            one = why or _source(channel.name, hz, loads, course)
            if isinstance(one, str):
                name = f"output impedance at {hertz(hz)}"
                values.append(Value(name, None, "ohm", channel.name, None, None, "not measured", one, hz))
                continue
            found.append(one)
            values += _of_source(one, loads)
    reason = None if found else next((v.reason for v in values if v.reason), NOT_SEEN)
    return Values(
        tuple(values), tuple(_findings(found)), course.shots, reason, extra={"output_impedance": _row(found, loads)}
    )


def _inductive(loads: Mapping[str, Load], hz: float) -> str | None:
    for name, load in loads.items():
        reactance = 2.0 * math.pi * hz * load.inductance_h
        if reactance > INDUCTIVE_PART * load.nominal_ohm:
            return f"load {name} is no resistance at {hertz(hz)}: {reactance:.2g} ohm of reactance"
    return None


def _source(channel: str, hz: float, loads: Mapping[str, Load], course: _Course) -> Source | str:
    """Ratios of like repeats, so that what drifts slowly cancels."""
    (first, one), (second, two) = loads.items()
    pairs = (course.volts.get((name, channel, hz), []) for name in (first, second))
    ratios = [a / b for a, b in zip(*pairs, strict=False)]
    if len(ratios) < IMPEDANCE_REPEATS:
        return NOT_SEEN
    mean = sum(ratios) / len(ratios)
    one_ohm, two_ohm = one.ohm[channel], two.ohm[channel]
    try:
        ohm = source_ohm(mean, one_ohm, two_ohm)
    except ValueError as error:
        return str(error)
    repeats = scatter(ratios, "repeatability")
    # By the derivatives of Rs = (q - 1) R1 R2 / (R1 - q R2).
    left = one_ohm - mean * two_ohm
    by_ratio = one_ohm * two_ohm * (one_ohm - two_ohm) / left**2
    by_one = -(mean - 1.0) * mean * two_ohm**2 / left**2
    by_two = (mean - 1.0) * one_ohm**2 / left**2
    return Source(
        channel, hz, mean, ohm,
        (
            Part("repeatability", by_ratio * repeats.u, "normal", repeats.freedom),
            Part(f"load:{first}:{channel}", by_one * one.uncertainty_ohm),
            Part(f"load:{second}:{channel}", by_two * two.uncertainty_ohm),
        ),
    )  # fmt: skip


def _of_source(one: Source, loads: Mapping[str, Load]) -> Iterator[Value]:
    (first, load), second = next(iter(loads.items())), list(loads)[1]
    at, said = hertz(one.frequency_hz), f"from {first} and {second}, {IMPEDANCE_REPEATS} times each"
    damping = f"damping factor re {load.nominal_ohm:g} ohm at {at}"
    expanded_ohm, factor = expanded(one.parts)
    if not one.is_seen:
        below = f"below {one.most_ohm:.2g} ohm; {said}"
        yield Value(
            f"output impedance at {at}", None, "ohm", one.channel, None, None, "below floor", below, one.frequency_hz
        )
        above = f"above {load.nominal_ohm / one.most_ohm:.2g}" if one.most_ohm > 0.0 else "without end"
        yield Value(damping, None, "", one.channel, None, None, "below floor", above, one.frequency_hz)
        return
    yield Value(
        f"output impedance at {at}", one.ohm, "ohm", one.channel, expanded_ohm, factor, None, said, one.frequency_hz
    )
    factor_of = load.nominal_ohm / one.ohm
    if expanded_ohm is None or factor is None:
        yield Value(damping, factor_of, "", one.channel, frequency_hz=one.frequency_hz)
    elif _is_uneven(load.nominal_ohm, one.ohm, expanded_ohm, factor):
        low, high = (load.nominal_ohm / (one.ohm + way * expanded_ohm) for way in (1.0, -1.0))
        words = f"{low:.3g} to {high:.3g} at 95 %: a ratio to so uncertain a resistance is not even"
        yield Value(damping, factor_of, "", one.channel, reason=words, frequency_hz=one.frequency_hz)
    else:
        of_damping = factor_of * expanded_ohm / one.ohm
        yield Value(damping, factor_of, "", one.channel, of_damping, factor, None, None, one.frequency_hz)


def _is_uneven(nominal_ohm: float, ohm: float, expanded_ohm: float, factor: float) -> bool:
    """Whether the linear form is too small for nominal over ohm (JCGM 100, note to 5.1.2)."""
    u_ohm = expanded_ohm / factor
    if ohm <= 2.0 * u_ohm:
        return True
    return second_order(lambda x: float(nominal_ohm / x[0]), (ohm,), (u_ohm,)).too_small is not None


def _findings(found: list[Source]) -> Iterator[Finding]:
    """Once a channel."""
    told: set[str] = set()
    for one in found:
        if one.ohm < -one.expanded_ohm and one.channel not in told:
            told.add(one.channel)
            sentence = f"{one.ohm:.3g} ohm behind the output at {hertz(one.frequency_hz)}: less than none"
            yield Finding("load resistance", sentence, OHMS, one.channel)


def _row(found: list[Source], loads: Mapping[str, Load]) -> dict[str, Any]:
    return {
        "loads": list(loads),
        "tones": [
            {
                "channel": one.channel,
                "frequency_hz": one.frequency_hz,
                "volts_ratio": one.ratio,
                "ohm": one.ohm,
                "expanded_ohm": one.expanded_ohm,
                "uncertainty_parts_ohm": {part.id: part.u for part in one.parts},
            }
            for one in found
        ],
    }
