"""`steady_efficiency`: output power over supply power, at parts of the power that this unit was found to give.

Each part is a counted tone; its last part is recorded, and the supply's meter is read within that. P is the true rms
(AC) of each channel over its measured load; the input is volts at the unit times amps. The idle current is counted in
and told beside. An ideal class B stage at x of its rails has pi x / 4 (textbook).
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.analysis.burst import LastCycle
from sequencer.analysis.power import watts
from sequencer.analysis.records import Record
from sequencer.analysis.steady import SteadyReading, read_steady
from sequencer.analysis.uncertainty import DEVIATION, Part, power_uncertainty
from sequencer.measurements.bench_inputs import at_most, sources_of
from sequencer.measurements.known_limit import NO_ROW, Known, known_limit
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.values import Value, ValueJob, Values, ValueTalk, expanded, shot_of
from sequencer.plan.ammeter import ammeter
from sequencer.plan.estimate_efficiency import HARMONICS, REST_TONES, tone_s
from sequencer.plan.models import Bench
from sequencer.plan.window import steady_record_s

MARGIN = 1.3
RAIL_MARGIN = 1.4
WIDEN = (1.0, 2.0)
GONE_PART = 0.25  # of the power expected: less is a protection, not an efficiency
METER_VOLTS_PCT, METER_AMPS_PCT, METER_AMPS_A = 0.5, 1.0, 0.01  # half-widths (common practice, no source)
METER_AND_RECORD = "meter window; volts at the unit by the record of the same tone"
LEAD_PCT = 20.0  # half-width of the declared lead's ohms (common practice, no source)
# Variance over squared mean of a rectified sine, pi^2/8 - 1: mean of products less product of means is R x this x I^2
# at most, where nothing between lead and stage smooths the current.
RIPPLE = math.pi**2 / 8.0 - 1.0
PART_NAMES = {1.0: "full power", 1.0 / 2.0: "1/2 power", 1.0 / 3.0: "1/3 power", 0.25: "1/4 power", 0.125: "1/8 power"}


@dataclass(frozen=True)
class _Shown:
    """One part as measured. worst: the channel that distorts most. seen: what the volts at the unit are from. parts: of
    the efficiency, %."""

    part: float
    shot: Shot
    power_w: Mapping[str, float]
    worst: LastCycle
    at_unit_v: float
    seen: str
    parts: tuple[Part, ...]

    @property
    def drawn_w(self) -> float:
        return self.at_unit_v * self.shot.supply_a

    @property
    def efficiency_pct(self) -> float | None:
        return 100.0 * sum(self.power_w.values()) / self.drawn_w if self.drawn_w > 0.0 else None


@dataclass
class _Course:
    shown: list[_Shown] = field(default_factory=list)
    shots: int = 0
    kept: list[tuple[str, Shot]] = field(default_factory=list)
    missed: dict[float, str] = field(default_factory=dict)  # part -> why not


def steady_efficiency(job: ValueJob) -> ValueTalk:
    """Parts from low to high, so that the least is known if the highest ends in a protection."""
    full = known_limit(job, job.point.frequencies_hz[0])
    if full is None:
        return Values(reason=NO_ROW)
    yield Rest(job.rest_s)
    idle = yield ReadBench()
    assert isinstance(idle, BenchReading)
    course = _Course()
    for part in sorted(job.point.power_parts):
        ended = yield from _one(job, full, part, course)
        if ended:
            course.missed |= {p: ended for p in job.point.power_parts if p > part}
            break
    return _values(job, full, idle, course)


def _one(job: ValueJob, full: Known, part: float, course: _Course) -> Generator[Request, Reply, str | None]:
    """One part; the reason where no higher one may follow."""
    level = full.level_vrms * math.sqrt(part)
    highest = _highest_vrms(job, full)
    if level > highest * (1.0 + 1e-9):
        course.missed[part] = f"{level:.3g} Vrms would pass what bench, load or unit allow"
        return course.missed[part]
    for widen in WIDEN:
        shot = yield from _fire(job, full, level, widen)
        course.shots += 1
        if not any(record.overloaded for record in shot.records.values()):
            break
    else:
        course.missed[part] = "the digitiser overloads: check gain and probe"
        return course.missed[part]
    shown = _read(job, part, shot)
    expected_w = part * sum(full.output_vrms[c.name] ** 2 / c.load_ohm for c in job.channels)
    if sum(shown.power_w.values()) < GONE_PART * expected_w:
        course.missed[part] = "the output went away: a protection"
        return course.missed[part]
    course.shown.append(shown)
    course.kept.append((f"efficiency at {_name(part)}", shot))
    return "the supply went into current limit" if shot.supply_limited or shot.supply_tripped else None


def _highest_vrms(job: ValueJob, full: Known) -> float:
    """At the generator: its ceiling, the crest and the joules that are allowed."""
    limits, most = job.limits, [job.limits.generator_vrms]
    length_s = tone_s(job.around.bench, job.point.frequencies_hz[0])
    for channel in job.channels:
        gain = full.output_vrms[channel.name] / full.level_vrms
        rms_v = min(limits.output_crest_v / math.sqrt(2.0), math.sqrt(limits.burst_j / length_s * channel.load_ohm))
        most.append(rms_v / gain)
    return min(most)


def _fire(job: ValueJob, full: Known, level: float, widen: float) -> Generator[Request, Reply, Shot]:
    hz, bench = job.point.frequencies_hz[0], job.around.bench
    length_s = tone_s(bench, hz)
    scales = {}
    for channel in job.channels:
        peak_v = math.sqrt(2.0) * full.output_vrms[channel.name] * level / full.level_vrms
        scales[channel.input] = min(peak_v * MARGIN * widen, job.limits.largest_range_v)
    rail = bench.input_for("rail")
    if rail is not None:
        scales[rail] = job.point.supply_v * RAIL_MARGIN
    level = min(level, job.limits.generator_vrms)
    reply = yield Fire(level, hz, round(length_s * hz), scales, "efficiency", last_s=steady_record_s(hz))
    yield Rest(max(job.rest_s, REST_TONES * length_s))
    return shot_of(reply)


def _read(job: ValueJob, part: float, shot: Shot) -> _Shown:
    hz, bench = job.point.frequencies_hz[0], job.around.bench
    seen: dict[str, SteadyReading] = {c.name: read_steady(shot.records[c.input], hz, HARMONICS) for c in job.channels}
    power_w = {c.name: watts(seen[c.name].whole.rms_ac_v, c.load_ohm) for c in job.channels}
    at_unit_v, words, volts = _volts(bench, shot)
    drawn_w = at_unit_v * shot.supply_a
    scale = 100.0 / drawn_w if drawn_w > 0.0 else 0.0
    efficiency_pct = scale * sum(power_w.values())
    relative = (*volts, *_amps(bench, shot, at_unit_v))
    parts = (
        *_output_parts(job.channels, shot.records, power_w, scale),
        *(Part(one.id, efficiency_pct * one.u, one.kind) for one in relative),
    )
    worst = max((one.whole for one in seen.values()), key=lambda one: one.thd)
    return _Shown(part, shot, power_w, worst, at_unit_v, words, parts)


def _output_parts(
    channels: Sequence[ChannelJob], records: Mapping[str, Record], power_w: Mapping[str, float], scale: float
) -> list[Part]:
    """What probes, ranges and loads are worth in the sum of the channels; one source in two channels adds up."""
    found: dict[str, Part] = {}
    for channel in channels:
        sources = channel.sources_on(records[channel.input].full_scale_v)
        for one in power_uncertainty(power_w[channel.name], sources).parts:
            before = found[one.id].u if one.id in found else 0.0
            found[one.id] = Part(one.id, before + scale * one.u, one.kind)
    return list(found.values())


def _volts(bench: Bench, shot: Shot) -> tuple[float, str, list[Part]]:
    """(V at the unit, what it is from, relative parts): the rail's record, else the meter less the lead's drop."""
    rail, rectangular = bench.input_for("rail"), DEVIATION["rectangular"]
    if rail is not None and rail in shot.records:
        record = shot.records[rail]
        probe_pct = bench.input[rail].gain_uncertainty_pct if rail in bench.input else 0.0
        factor = bench.input[rail].factor if rail in bench.input else 1.0
        reach = [
            r for r in bench.range if r.input in ("all", rail) and r.full_scale_v * factor * 1.02 >= record.full_scale_v
        ]
        range_pct = min(reach, key=lambda r: r.full_scale_v).gain_uncertainty_pct if reach else 0.0
        return (
            float(record.volts.mean()),
            "the record of the same tone" if "supply" in bench.by_hand else METER_AND_RECORD,
            [
                Part("probe of the rail", rectangular * probe_pct / 100.0, "rectangular"),
                Part("range of the rail", rectangular * range_pct / 100.0, "rectangular"),
            ],
        )
    drop_v = shot.supply_a * _lead_ohm(bench)
    volts = shot.supply_v - drop_v
    return (
        volts,
        "meter window; volts at the supply less the drop in its lead",
        [
            Part(
                "volts by the supply's meter",
                rectangular * METER_VOLTS_PCT / 100.0 * shot.supply_v / volts,
                "rectangular",
            ),
            Part("lead", rectangular * LEAD_PCT / 100.0 * drop_v / volts, "rectangular"),
        ],
    )


def _amps(bench: Bench, shot: Shot, at_unit_v: float) -> list[Part]:
    """Relative parts of the current, and of taking the product of two means for the mean of the product."""
    rectangular, amps = DEVIATION["rectangular"], max(shot.supply_a, 1e-9)
    half, what = METER_AMPS_PCT / 100.0 + METER_AMPS_A / amps, "amps by the supply's meter"
    if (found := ammeter(bench)) is not None and "supply" in bench.by_hand:
        reach = at_most(sources_of(bench, found.input, shot.records[found.input].full_scale_v))
        half, what = reach + found.zero_a / amps, f"amps by the {found.wire}"
    swing = _lead_ohm(bench) * amps * RIPPLE / at_unit_v
    return [
        Part(what, rectangular * half, "rectangular"),
        Part("product of means", rectangular * swing, "rectangular"),
    ]


def _lead_ohm(bench: Bench) -> float:
    lead = bench.lead.get("supply")
    return lead.ohm if lead else 0.0


def _values(job: ValueJob, full: Known, idle: BenchReading, course: _Course) -> Values:
    values = [_value(one, full) for one in course.shown]
    values += [
        Value(f"efficiency at {_name(part)}", None, "%", reason=why, frequency_hz=job.point.frequencies_hz[0])
        for part, why in sorted(course.missed.items())
    ]
    bench = job.around.bench
    drop_v = 0.0 if "supply" in bench.by_hand else idle.supply_a * _lead_ohm(bench)  # then the volts are the unit's
    idle_w = idle.supply_a * (idle.supply_v - drop_v)
    values.append(Value("idle power", idle_w, "W", reason="counted in above, not taken off"))
    return Values(
        values=tuple(values),
        shots=course.shots,
        reason=None if course.shown else next(iter(course.missed.values()), "no part was asked for"),
        extra={"efficiency_points": [_row(one) for one in course.shown]},
        kept=tuple(course.kept[-1:]),
    )


def _value(one: _Shown, full: Known) -> Value:
    expanded_pct, factor = expanded(one.parts)
    return Value(
        f"efficiency at {_name(one.part)}",
        one.efficiency_pct,
        "%",
        expanded_uncertainty=expanded_pct,
        coverage_factor=factor,
        reason=f"full power: {full.words}; idle current counted in",
        frequency_hz=one.shot.request.frequency_hz,
    )


def _name(part: float) -> str:
    return next((name for value, name in PART_NAMES.items() if abs(part / value - 1.0) < 0.002), f"{part:.3g} of power")


def _row(one: _Shown) -> dict[str, Any]:
    expanded_pct, factor = expanded(one.parts)
    return {
        "part": one.part,
        "level_vrms": one.shot.level_vrms,
        "power_w": dict(one.power_w),
        "supply_v": one.shot.supply_v,
        "at_unit_v": one.at_unit_v,
        "supply_a": one.shot.supply_a,
        "efficiency_pct": one.efficiency_pct,
        "expanded_uncertainty_pct": expanded_pct,
        "coverage_factor": factor,
        "heat_w": one.drawn_w - sum(one.power_w.values()),
        "thd_pct": 100.0 * one.worst.thd,
        "thd_floor_pct": 100.0 * one.worst.thd_floor,
        "seen": one.seen,
        "uncertainty_parts_pct": {part.id: part.u for part in one.parts},
    }
