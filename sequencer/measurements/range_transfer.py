"""`range_transfer`: the gain of the digitiser's ranges, probe included, against a true-rms meter at the same output.

Without a load, a steady tone stands at the output; the meter reads it, then the digitiser, twice at each of two levels
on every range that powers are read on. Their ratio is the range's correction for the rest of the run; its uncertainty
is the meter's, and how well the ratio repeats (JCGM 100: type B and type A). At one frequency: what the digitiser does
at others is not known from this. A range that is further off than digitiser and probe are declared, meter's own error
allowed for, is told and left as it is: then nobody knows which of the two is wrong. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import Part, Source
from sequencer.measurements.bench_inputs import at_most, sources_of
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import Connect, Fire, MeterOn, Reply, Request, Rest
from sequencer.measurements.tone_bursts import prove
from sequencer.measurements.transferred import METER, RANGE_ALIKE, Transferred
from sequencer.measurements.values import Finding, Value, ValueJob, Values, ValueTalk, expanded, scatter, shot_of
from sequencer.plan.clip import ratio
from sequencer.plan.estimate_checks import check_tone_hz
from sequencer.plan.estimate_transfer import CLIP_PART, REPEATS, RangeLevels, range_levels, transfer_cycles
from sequencer.plan.models import Bench, Meter
from sequencer.plan.window import GAIN_HARMONICS, steady_record_s

BOUNCE_S = 0.1
ASKED = 0.98  # of a range's reach: so that this one is taken, and no wider one
NO_NUMBER = "the meter gave no number while the tone stood"
OVERLOADED = "the digitiser overloads: check probe and gain"
OTHER_RANGE = "the digitiser takes a range of {} V there: name its own ranges in the bench's file"
NO_RANGE = "no range of it is filled by a tone well below its clip volts"
NOT_METERED = "the meter has no contacts for this output"
NEXT = "Compare this range with a second meter, then mend or correct whichever of the two is off"


@dataclass(frozen=True)
class Compared:
    """One range of one channel. ratios: meter over digitiser, by tone; meter_pct: the meter's error at most, of the
    reading it matters most in; why: nothing was compared."""

    channel: ChannelJob
    levels: RangeLevels
    ratios: tuple[float, ...] = ()
    meter_pct: float = 0.0
    why: str | None = None

    @property
    def factor(self) -> float:
        """True volts over those shown."""
        return sum(self.ratios) / len(self.ratios)

    @property
    def error_pct(self) -> float:
        """What the range shows too much."""
        return 100.0 * (1.0 / self.factor - 1.0)

    @property
    def name(self) -> str:
        return f"gain of {self.channel.input} on its {self.levels.full_scale_v:g} V range"


def range_transfer(job: ValueJob) -> ValueTalk:
    """Each range's error in percent, with its uncertainty; `ranges` of the row holds what later volts are put right
    with."""
    meter = job.around.bench.meter
    if meter is None:
        return Values(reason="this bench has no meter")
    frequency_hz = check_tone_hz(job.point, job.around.unit)
    proved = yield from prove(job, frequency_hz)
    if isinstance(proved, str):
        return Values(shots=1, reason=proved)
    yield Connect(None, ())
    yield Rest(BOUNCE_S)
    found: list[Compared] = []
    shots = 1
    for channel in job.channels:
        if channel.name in meter.close:
            yield MeterOn(channel.name)
            yield Rest(BOUNCE_S)
            compared, fired = yield from _channel(job, meter, channel, proved)
            found += compared
            shots += fired
    yield MeterOn(None)
    yield Connect(job.point.load, job.point.channels)
    yield Rest(BOUNCE_S)
    return _result(job, meter, found, shots)


def _channel(
    job: ValueJob, meter: Meter, channel: ChannelJob, gain_db: Mapping[str, float]
) -> Generator[Request, Reply, tuple[list[Compared], int]]:
    found, shots = [], 0
    for levels in range_levels(job.around.bench, channel.input, channel.clip_v):
        one, fired = yield from _range(job, meter, channel, gain_db, levels)
        found.append(one)
        shots += fired
    return found, shots


def _range(
    job: ValueJob, meter: Meter, channel: ChannelJob, gain_db: Mapping[str, float], levels: RangeLevels
) -> Generator[Request, Reply, tuple[Compared, int]]:
    hz = check_tone_hz(job.point, job.around.unit)
    ratios: list[float] = []
    meter_pct, shots = 0.0, 0
    for crest_v in levels.crests_v:
        level = min(crest_v / math.sqrt(2.0) / ratio(gain_db[channel.name]), _most_vrms(job, gain_db))
        vrms = level * ratio(gain_db[channel.name])
        for _ in range(REPEATS):
            request = Fire(
                level, hz, transfer_cycles(meter, hz), {channel.input: ASKED * levels.reach_v}, "check",
                last_s=steady_record_s(hz), harmonics=GAIN_HARMONICS, meter_vrms=vrms,
            )  # fmt: skip
            shot = shot_of((yield request))
            shots += 1
            yield Rest(job.rest_s)
            record = shot.records[channel.input]
            if abs(record.full_scale_v / levels.reach_v - 1.0) > RANGE_ALIKE:
                reach = record.full_scale_v * levels.full_scale_v / levels.reach_v
                return Compared(channel, levels, why=OTHER_RANGE.format(f"{reach:.4g}")), shots
            if record.overloaded:
                return Compared(channel, levels, why=OVERLOADED), shots
            if shot.metered is None:
                return Compared(channel, levels, why=NO_NUMBER), shots
            ratios.append(shot.metered.vrms / ac_vrms(record, hz))
            share = shot.metered.range_vrms / shot.metered.vrms
            meter_pct = max(meter_pct, meter.accuracy_pct + meter.range_accuracy_pct * share)
    return Compared(channel, levels, tuple(ratios), meter_pct), shots


def _most_vrms(job: ValueJob, gain_db: Mapping[str, float]) -> float:
    """At the generator: every channel is driven, and none may come near its clipping or pass what it may give."""
    crests = {c.name: min(CLIP_PART * c.clip_v, job.limits.output_crest_v) for c in job.channels}
    allowed = (crests[name] / math.sqrt(2.0) / ratio(gain_db[name]) for name in crests)
    return min(job.limits.generator_vrms, *allowed)


def ac_vrms(record: Record, frequency_hz: float) -> float:
    """As the meter reads: all that is not DC, over the whole cycles of the record."""
    cycle = 1.0 / (frequency_hz * record.sample_interval_s)
    samples = round(math.floor(record.volts.size / cycle + 1e-6) * cycle)
    return float(np.std(record.volts[record.volts.size - samples :]))


# --- what it says


def _result(job: ValueJob, meter: Meter, found: list[Compared], shots: int) -> Values:
    bench = job.around.bench
    told = [(one, tuple(_beyond(bench, meter, one))) for one in found if one.ratios]
    findings = [finding for _, some in told for finding in some]
    rows = [_row(meter, one, used=not some) for one, some in told]
    values = [_value(meter, one) for one in found]
    values += [_none(c, NO_RANGE) for c in job.channels if c.name in meter.close and not _of(found, c)]
    values += [_none(c, NOT_METERED) for c in job.channels if c.name not in meter.close]
    reason = None if rows else next((one.why for one in found if one.why), NO_RANGE)
    return Values(tuple(values), tuple(findings), shots, reason, extra={"ranges": rows})


def _of(found: list[Compared], channel: ChannelJob) -> list[Compared]:
    return [one for one in found if one.channel is channel]


def _none(channel: ChannelJob, why: str) -> Value:
    name = f"gain of {channel.input}"
    return Value(name, None, "%", channel.name, judgement="not measured", reason=why)


def _parts(meter: Meter, one: Compared) -> tuple[Part, ...]:
    """Percent of the volts."""
    own = Source.voltage(METER, meter.kind, one.meter_pct)
    spread = scatter([100.0 * r / one.factor for r in one.ratios], "scatter")
    return (Part(METER, 100.0 * own.standard, meter.kind), spread)


def _value(meter: Meter, one: Compared) -> Value:
    if not one.ratios:
        return Value(one.name, None, "%", one.channel.name, judgement="not measured", reason=one.why)
    expanded_pct, factor = expanded(_parts(meter, one))
    return Value(one.name, one.error_pct, "%", one.channel.name, expanded_pct, factor)


def _beyond(bench: Bench, meter: Meter, one: Compared) -> Iterator[Finding]:
    """Further off than digitiser and probe may be together by the bench's file."""
    declared = 100.0 * at_most(sources_of(bench, one.channel.input, one.levels.reach_v))
    expanded_pct = expanded(_parts(meter, one))[0] or 0.0
    if abs(one.error_pct) > declared + expanded_pct:
        sentence = (
            f"{one.name} reads {one.error_pct:+.2f} % against the meter, declared are {declared:.2f} %: it is left so"
        )
        yield Finding("digitiser range", sentence, NEXT, one.channel.name)


def _row(meter: Meter, one: Compared, *, used: bool) -> dict[str, Any]:
    spread = scatter([100.0 * r / one.factor for r in one.ratios], "scatter")
    found = Transferred(
        one.channel.input, one.levels.full_scale_v, one.levels.reach_v, one.factor, one.meter_pct, meter.kind,
        spread.u, spread.freedom,
    )  # fmt: skip
    return vars(found) | {"used": used}
