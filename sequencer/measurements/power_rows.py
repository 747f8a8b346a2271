"""From an outcome to the rows of the results: one dict per point, the keys of format 1. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.burst import first_to_last_cycle_pct
from sequencer.analysis.power import channel_equivalent, efficiency_pct, peak_reading_watts, watts
from sequencer.analysis.uncertainty import BRACKET, Source, pool, power_uncertainty
from sequencer.measurements.judge import JUDGED_BY_RESIDUAL_UP_TO, ChannelShot, Judged
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_at_limit import beyond_limit_w, crossing_within_db, power_at_limit
from sequencer.measurements.power_job import ChannelJob, PowerJob
from sequencer.measurements.requests import Shot
from sequencer.measurements.search_model import Found
from sequencer.measurements.unseen import seen
from sequencer.plan.points import Point
from sequencer.plan.promises import NO_AMPS

RAIL_MARK_PCT = 3.0

# The search's own words for an end -> the results' (stopped_by), and whether a power was measured.
ENDS = {
    "crossing": ("thd", True),
    "limited": ("limited", True),
    "protected": ("protection", True),
    "ceiling": ("generator_ceiling", True),
    "never_below": ("never_below", False),
    "floor": ("floor", False),
    "not_repeatable": ("not_repeatable", False),
    "drifting": ("not_repeatable", False),
    "budget": ("time_budget", True),
}

REASONS = {
    "never_below": "never within the limit: see the lowest distortion",
    "floor": "the digitiser's own floor lies above the limit",
    "energy_budget": "the energy allowed was spent before a level was confirmed",
    "time_budget": "the time or the shots allowed were spent before a level was confirmed",
    "not_repeatable": "fresh shots at the accepted level do not repeat within the limit",
}


def rows(outcome: Outcome, earlier: Sequence[Sequence[float]] = ()) -> list[dict[str, Any]]:
    """One row per point of the job, in the points' order.

    earlier: watts of the like shots of this unit's points so far; their repeatability is pooled with the row's
    own, since three shots alone say little of it.
    """
    found = {f.limit: f for f in outcome.found}
    return [_row(outcome, point, found.get(point.limit_pct / 100.0), earlier) for point in outcome.job.points]


def repeats(row: dict[str, Any]) -> list[list[float]]:
    """Watts of the confirming shots, per channel: what later points pool."""
    return [c["repeat_power_w"] for c in row["channels"]]


def _row(outcome: Outcome, point: Point, found: Found | None, earlier: Sequence[Sequence[float]]) -> dict[str, Any]:
    row = _head(outcome.job, point)
    if found is None:
        return row | {"outcome": "not_measured", "reason": outcome.reason or "not reached", "shots": outcome.shots}
    stopped, measured = ENDS.get(found.ended, (found.ended, True))
    if stopped == "thd":
        stopped = row["judged_by"]
    if stopped == "generator_ceiling":
        stopped = _which_ceiling(outcome, found)
    row |= {"stopped_by": stopped, "shots": found.shots + (outcome.shots - len(outcome.judged))}
    row |= _lowest(outcome, found)
    row["shot_table"] = [
        _shot_row(j, r.distortion, r.floor) for j, r in zip(outcome.judged, outcome.readings, strict=True)
    ]
    accepted = _median_confirm(outcome, found)
    if not measured or accepted is None:
        reason = REASONS.get(stopped, f"no clean level was confirmed: {stopped.replace('_', ' ')}")
        return row | {"outcome": "not_measured", "reason": reason}
    return row | _measured(outcome, found, accepted, earlier)


def _head(job: PowerJob, point: Point) -> dict[str, Any]:
    return {
        "id": point.id,
        "stage": point.stage,
        "measurement": "output_power",
        "load": point.load,
        "frequency_hz": point.frequency_hz,
        "cycles": point.cycles,
        "steady": point.steady,
        "supply_nominal_v": point.supply_v,
        "channels_driven": list(point.channels),
        "stop_limit": point.limit_pct,
        "stop_quantity": point.quantity,
        "harmonics": point.harmonics,
        "band_hz": list(point.band_hz),
        "judged_by": "burst_residual"
        if point.cycles <= JUDGED_BY_RESIDUAL_UP_TO and point.quantity == "thd"
        else point.quantity,
        "outcome": "measured",
        "reason": None,
        "stopped_by": None,
        "stopped_by_channel": None,
        "level_vrms": None,
        "level_measured_vrms": None,
        "channels": [],
        "rails": [],
        "efficiency_pct": None,
    }


def _which_ceiling(outcome: Outcome, found: Found) -> str:
    generator_db = 20.0 * math.log10(outcome.job.limits.generator_vrms)
    at_generator = found.accepted_db is not None and found.accepted_db > generator_db - 0.1
    return "generator_ceiling" if at_generator else "bench_ceiling"


def _lowest(outcome: Outcome, found: Found) -> dict[str, Any]:
    if found.lowest is None:
        return {}
    judged = _judged_of(outcome, found.lowest)
    seen = judged.channels[judged.worst]
    ohm = next(c.load_ohm for c in outcome.job.channels if c.name == judged.worst)
    return {
        "lowest_thd_pct": 100.0 * found.lowest.distortion,
        "lowest_thd_power_w": watts(seen.last.rms_ac_v, ohm),
    }


def _judged_of(outcome: Outcome, reading: object) -> Judged:
    return next(j for j, r in zip(outcome.judged, outcome.readings, strict=True) if r is reading)


def _median_confirm(outcome: Outcome, found: Found) -> Judged | None:
    """The confirming shot with the median power: all numbers of the row are this one shot's."""
    confirms = [_judged_of(outcome, r) for r in found.confirms]
    if not confirms:
        return None
    worst = confirms[0].worst
    ordered = sorted(confirms, key=lambda j: j.channels[worst].last.rms_ac_v)
    return ordered[len(ordered) // 2]


def _shot_row(judged: Judged, distortion: float, floor: float) -> dict[str, Any]:
    return {
        "number": judged.shot.number,
        "purpose": judged.shot.request.purpose,
        "level_vrms": judged.shot.level_vrms,
        "distortion_pct": 100.0 * distortion,
        "floor_pct": 100.0 * floor,
        "channel": judged.worst,
        "output_vrms": {name: seen.last.rms_ac_v for name, seen in judged.channels.items()},
    }


def at_unit_v(record_mean_v: float | None, shot: Shot, lead_ohm: float) -> float:
    """Supply volts at the unit in one meter window, V."""
    return shot.supply_v - shot.supply_a * lead_ohm if record_mean_v is None else record_mean_v


def _measured(outcome: Outcome, found: Found, accepted: Judged, earlier: Sequence[Sequence[float]]) -> dict[str, Any]:
    job = outcome.job
    confirms = [_judged_of(outcome, r) for r in found.confirms]
    record = accepted.shot.records[job.channels[0].input]
    return {
        "stopped_by_channel": _stopping_channel(outcome, found, accepted),
        "level_vrms": accepted.shot.level_vrms,
        "shot_number": accepted.shot.number,
        "record_s": record.sample_interval_s * record.volts.size,
        "sample_rate_hz": 1.0 / record.sample_interval_s,
        "confirm_shots": len(confirms),
        "resolution_db": found.resolution_db,
        "channels": [_channel(outcome, c, found, accepted, _Repeats(confirms, earlier)) for c in job.channels],
        "rails": [_steady_rail(job, accepted) if job.point.steady else _rail(job, accepted)],
        "rail_note": _rail_note(accepted),
        "efficiency_pct": _efficiency_pct(job, accepted) if job.point.steady else None,
    }


def _stopping_channel(outcome: Outcome, found: Found, accepted: Judged) -> str:
    if found.bad is not None:
        return _judged_of(outcome, found.bad).worst
    return accepted.worst


def _rail(job: PowerJob, accepted: Judged) -> dict[str, Any]:
    rail, note = accepted.rail, "at_supply_v, amps: the supply's own meter, slower than a burst"
    if job.no_meter:
        amps = math.isnan(accepted.shot.supply_a)
        note = f"amps: {NO_AMPS}" if amps else "amps: by the digitiser, in the same record"
    return {
        "rail": "main",
        "at_unit_v": rail.last_cycle_v if rail else None,
        "at_unit_before_v": rail.before_v if rail else None,
        "sag_pct": rail.sag_pct if rail else None,
        "at_supply_v": None if job.no_meter else accepted.shot.supply_v,
        "amps": seen(accepted.shot.supply_a),
        "meter_note": note,
        "seen": "burst trace" if rail else "not seen",
    }


def _steady_rail(job: PowerJob, accepted: Judged) -> dict[str, Any]:
    """The supply's meter counts: it is read within the record. at_unit_v: the record's mean, null where no input is
    wired to the rail; less_lead_v: the meter's volts less the drop in the lead, where that had to do."""
    if job.no_meter:
        return _rail(job, accepted)
    own: dict[str, Any] = {
        "seen": "meter window",
        "meter_note": "at_supply_v, amps: the supply's own meter, one window in the record",
    }
    if accepted.rail is None:
        own["less_lead_v"] = _at_unit_v(job, accepted)
    return _rail(job, accepted) | own


def _at_unit_v(job: PowerJob, accepted: Judged) -> float:
    return at_unit_v(accepted.rail.last_cycle_v if accepted.rail else None, accepted.shot, job.lead_ohm)


def _efficiency_pct(job: PowerJob, accepted: Judged) -> float | None:
    """Output of all channels over the DC input in the same window; null where nothing is drawn."""
    out_w = sum(watts(accepted.channels[c.name].last.rms_ac_v, c.load_ohm) for c in job.channels)
    drawn_w = _at_unit_v(job, accepted) * accepted.shot.supply_a
    return efficiency_pct(out_w, 1.0, drawn_w) if drawn_w > 0.0 else None


def _rail_note(accepted: Judged) -> str | None:
    if accepted.rail is None:
        return "rail not seen"
    return "rail moved" if accepted.rail.sag_pct > RAIL_MARK_PCT else None


@dataclass(frozen=True)
class _Repeats:
    confirms: Sequence[Judged]
    earlier: Sequence[Sequence[float]]

    def watts(self, channel: ChannelJob) -> list[float]:
        return [watts(j.channels[channel.name].last.rms_ac_v, channel.load_ohm) for j in self.confirms]


def _channel(
    outcome: Outcome, channel: ChannelJob, found: Found, accepted: Judged, repeated: _Repeats
) -> dict[str, Any]:
    power_w = watts(accepted.channels[channel.name].last.rms_ac_v, channel.load_ohm)
    own_w = repeated.watts(channel)
    pooled = pool([*repeated.earlier, own_w])
    sources = channel.sources_on(accepted.shot.records[channel.input].full_scale_v)
    own = power_uncertainty(power_w, sources, own_w, pooled)
    at_limit_w = power_at_limit(outcome, channel, found)
    bracket = Source.bracket(crossing_within_db(found)) if at_limit_w else None
    at_limit = power_uncertainty(at_limit_w, (*sources, bracket), own_w, pooled) if at_limit_w and bracket else None
    return _of_one_shot(channel, accepted.channels[channel.name]) | {
        "beyond_limit_power_w": beyond_limit_w(outcome, channel, found, power_w),
        "power_expanded_uncertainty_w": own.expanded_w,
        "coverage_factor": own.coverage_factor,
        "coverage_pct": 95,
        "uncertainty_parts_w": own.parts_w,
        "uncertainty_kinds": {part.id: part.kind for part in own.parts},
        "uncertainty_freedom": {part.id: part.freedom for part in own.parts if math.isfinite(part.freedom)},
        "power_at_limit_w": at_limit_w,
        "power_at_limit_expanded_uncertainty_w": at_limit.expanded_w if at_limit else None,
        "power_at_limit_bracket_w": at_limit.parts_w.get(BRACKET) if at_limit else None,
        "repeat_power_w": own_w,
    }


def again(job: PowerJob, judged: Judged) -> dict[str, Any]:
    """What of a row rests on its own shot alone: of its channels all but residual, limit and uncertainty."""
    alone = [_of_one_shot(c, judged.channels[c.name]) for c in job.channels]
    lacking = ("burst_residual_pct", "burst_residual_floor_pct")
    return {"channels": [{k: v for k, v in one.items() if k not in lacking} for one in alone]}


def _of_one_shot(channel: ChannelJob, seen: ChannelShot) -> dict[str, Any]:
    power_w = watts(seen.last.rms_ac_v, channel.load_ohm)
    equivalent_ohm, equivalent_w = channel_equivalent(channel.load_ohm, power_w, bridged=channel.bridged)
    return {
        "channel": channel.name,
        "bridged": channel.bridged,
        "load_ohm": channel.load_ohm,
        "output_vrms": seen.last.rms_ac_v,
        "crest_pos_v": seen.last.crest_pos_v,
        "crest_neg_v": seen.last.crest_neg_v,
        "offset_v": seen.last.offset_v,
        "power_w": power_w,
        "fundamental_power_w": watts(seen.last.fit.fundamental_rms_v, channel.load_ohm),
        "peak_reading_power_w": peak_reading_watts(seen.last.crest_pos_v, seen.last.crest_neg_v, channel.load_ohm),
        "channel_equivalent_ohm": equivalent_ohm,
        "channel_equivalent_power_w": equivalent_w,
        "thd_pct": 100.0 * seen.last.thd,
        "thd_floor_pct": 100.0 * seen.last.thd_floor,
        "burst_residual_pct": None if seen.residual is None else 100.0 * seen.residual,
        "burst_residual_floor_pct": None if seen.residual_floor is None else 100.0 * seen.residual_floor,
        "first_to_last_cycle_pct": first_to_last_cycle_pct(seen.cycles),
        "cycle_rows": [_cycle(c) for c in seen.cycles],
    }


def _cycle(row: Any) -> dict[str, Any]:
    return {
        "number": row.number,
        "rms_v": row.rms_ac_v,
        "offset_v": row.offset_v,
        "crest_pos_v": row.crest_pos_v,
        "crest_neg_v": row.crest_neg_v,
        "thd_pct": 100.0 * row.thd,
    }
