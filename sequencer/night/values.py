"""Points of single values as the night needs them: their job, and their row of the results. Pure."""

from __future__ import annotations

from dataclasses import asdict, fields, replace
from typing import Any

from sequencer.analysis.uncertainty import DEVIATION, Part
from sequencer.measurements.registry import DRIVEN
from sequencer.measurements.transferred import transferred
from sequencer.measurements.unseen import said, without_nan
from sequencer.measurements.values import Context, Expected, Finding, ValueJob, Values
from sequencer.night.setup import NightPlan, UnitRun, channel_job, level_limits
from sequencer.plan.clip import clip_volts
from sequencer.plan.estimate_values import value_rest_s
from sequencer.plan.models import Bench, Input
from sequencer.plan.points import AnyPoint, RowOfPlan, ValuePoint


def value_job(night: NightPlan, run: UnitRun, point: ValuePoint, context: Context | None = None) -> ValueJob:
    """The job of one point."""
    bench, unit = night.bench, run.unit
    clips = clip_volts(unit, bench.load[point.load].nominal_ohm, point.supply_v)
    found = transferred(context.earlier if context else ())
    channels = tuple(channel_job(bench, unit, point, name, clips[name], found) for name in point.channels)
    return ValueJob(
        point=point,
        channels=channels,
        limits=level_limits(bench, unit, point),
        offset_parts={c.name: _offset_part(bench, c.input) for c in channels},
        expected=Expected(unit.output_offset.within_v, unit.idle_current.window_a),
        rest_s=value_rest_s(unit),
        context=context or Context(unit, bench, run.bay),
    )


def value_point(point: AnyPoint, measurement: str) -> ValuePoint:
    """What is done before or after a point, under its place in the plan: the same load, channels and supply."""
    if isinstance(point, ValuePoint):
        return replace(point, measurement=measurement)
    shared = {field.name: getattr(point, field.name) for field in fields(RowOfPlan)}
    return ValuePoint(**shared | {"measurement": measurement, "frequencies_hz": (point.frequency_hz,)})


def _offset_part(bench: Bench, name: str) -> Part:
    """Of an input's offset, V at the unit: what the probe divides, this multiplies."""
    one = bench.input.get(name, Input())
    half_v = one.offset_uncertainty_v * one.factor
    if (legs := bench.legs("A")) is not None and name == legs[0]:
        # two offsets, and what two gains make of the half supply that both legs stand at
        gain_pct = one.gain_uncertainty_pct + max(each.gain_uncertainty_pct for each in bench.range)
        half_v = 2.0 * (half_v + gain_pct / 100.0 * bench.ceiling.supply_v / 2.0)
    return Part(f"offset:{name}", half_v * DEVIATION[one.kind], one.kind)


def value_row(point: ValuePoint, values: Values) -> dict[str, Any]:
    """The point's row, format 1, but for what the night adds."""
    driven = point.measurement in DRIVEN
    return {
        "id": point.id,
        "stage": point.stage,
        "measurement": point.measurement,
        "load": point.load,
        "supply_nominal_v": point.supply_v,
        "channels_driven": list(point.channels) if driven else [],
        "outcome": "tripped" if values.trip else "not_measured" if values.reason else "measured",
        "reason": values.trip or values.reason,
        "shots": values.shots,
        "values": [without_nan(asdict(said(one))) for one in values.values],
    } | {**without_nan(values.extra), **_kept_off(values)}


def _kept_off(values: Values) -> dict[str, str]:
    """Only where there is something to say: later points ask, and so does who goes on with the run."""
    return {k: v for k in ("no_drive", "no_power") if (v := getattr(values, k)) is not None}


def finding_row(point_id: str | None, finding: Finding) -> dict[str, Any]:
    """A finding in the keys of the results. point_id: None where only several points together show it."""
    return asdict(finding) | {"point": point_id}
