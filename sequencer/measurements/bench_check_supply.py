"""The supply as the unit sees it: its own meter, the volts at the unit, the lead between them. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.records import Record
from sequencer.analysis.uncertainty import Part
from sequencer.measurements.bench_check_model import Checked, Looked, not_measured
from sequencer.measurements.bench_check_wiring import probe_finding
from sequencer.measurements.bench_inputs import at_most, offset_part, parts_of, sources_of
from sequencer.measurements.output_offset import BLOCKS, silent_part
from sequencer.measurements.requests import BenchReading
from sequencer.measurements.values import Finding, Value, expanded, scatter
from sequencer.plan.models import Bench
from sequencer.plan.promises import NO_SUPPLY

SENSE_V = 0.3  # common practice, no source
LEAD_MORE, LEAD_DROP = 1.3, 0.03  # x the file's ohms, and of the volts (common practice, no source)
PROBE_RATIO = 10.0
PROBE_WITHIN = 10.0 ** (1.0 / 20.0)  # 1 dB
RAIL_MARGIN = 1.4
SENSE = "Look at the sense leads: at the supply, at the unit, and whether they are on at all"
LEAD = "Look at the supply lead, its clamps and fuse holder: warm spots are where the ohms are"


@dataclass(frozen=True)
class Rail:
    """Volts at the unit's supply terminals, of one silent record. own: by its noise alone, V (standard)."""

    volts: float
    own: Part
    parts: tuple[Part, ...]
    bound_v: float


def rail_scale_v(volts: float) -> float:
    return RAIL_MARGIN * volts


def rail_of(bench: Bench, name: str, record: Record) -> Rail:
    """Mean of the silence, with what range, probe and offset of its input are worth."""
    volts = silent_part(record)
    mean_v = float(volts.mean())
    own = scatter([float(block.mean()) for block in np.array_split(volts, BLOCKS)], "noise")
    off = offset_part(bench, name)
    parts = (own, off, *parts_of(bench, name, record, mean_v))
    bound = abs(mean_v) * at_most(sources_of(bench, name, record.full_scale_v)) + math.sqrt(3.0) * off.u
    return Rail(mean_v, own, parts, bound)


def supply(looked: Looked) -> Checked:
    """The supply's own volts against those set; volts at the unit; ohms of the lead as far as idle shows them."""
    set_v, meter_v = looked.job.point.supply_v, looked.supply_v
    if "supply" in looked.job.around.bench.by_hand:
        return _by_digitiser(looked)
    u = scatter([r.supply_v for r in looked.readings], "noise")
    expanded_v, factor = expanded([u])
    values = [
        Value(
            "supply at its terminals",
            meter_v,
            "V",
            None,
            expanded_v,
            factor,
            reason="its own meter; its error is not declared",
        )
    ]
    if off := tuple(sense_findings(meter_v, set_v)):
        told = any(row.get("measurement") == "first_power" for row in looked.job.around.earlier)
        return Checked(tuple(values), () if told else off)  # first power looks at the same, and has told it
    more = _at_unit(looked, meter_v, u)
    return Checked((*values, *more.values), more.findings)


def _by_digitiser(looked: Looked) -> Checked:
    """No remote supply: the volts at the unit are all there is."""
    bench, quiet = looked.job.around.bench, looked.quiet
    name = bench.input_for("rail")
    unread = (("supply at its terminals", "V"), ("lead of the supply", "ohm"))
    values = [not_measured(what, unit, NO_SUPPLY) for what, unit in unread]
    if name is None or quiet is None or name not in quiet.records or quiet.records[name].overloaded:
        return Checked((*values, not_measured("supply at the unit", "V", "no digitiser input sees the rail")))
    rail = rail_of(bench, name, quiet.records[name])
    expanded_v, factor = expanded(rail.parts)
    return Checked((*values, Value("supply at the unit", rail.volts, "V", None, expanded_v, factor)))


def sense_findings(meter_v: float, set_v: float) -> Iterator[Finding]:
    """A supply whose own meter shows other volts than those set."""
    if abs(meter_v - set_v) > SENSE_V:
        sentence = f"the supply shows {meter_v:.2f} V where {set_v:g} V is set: it does not regulate where it should"
        yield Finding("supply sense", sentence, SENSE)


def _at_unit(looked: Looked, meter_v: float, u: Part) -> Checked:
    bench = looked.job.around.bench
    name = bench.input_for("rail")
    if name is None or looked.quiet is None or name not in looked.quiet.records:
        reason = "no digitiser input sees the rail"
        return Checked(
            (not_measured("supply at the unit", "V", reason), not_measured("lead of the supply", "ohm", reason))
        )
    record = looked.quiet.records[name]
    if record.overloaded:
        seen = f"the rail is beyond {record.full_scale_v:.3g} V on {name}"
        return Checked((not_measured("supply at the unit", "V", seen),), (probe_finding(looked, name, True, seen),))
    rail = rail_of(bench, name, record)
    expanded_v, factor = expanded(rail.parts)
    values = [Value("supply at the unit", rail.volts, "V", None, expanded_v, factor)]
    ratio = rail.volts / meter_v
    for too_much, expected in ((True, PROBE_RATIO), (False, 1.0 / PROBE_RATIO)):
        if expected / PROBE_WITHIN < ratio < expected * PROBE_WITHIN:
            seen = f"{rail.volts:.2f} V at the unit where the supply shows {meter_v:.2f} V"
            return Checked(tuple(values), (probe_finding(looked, name, too_much, seen),))
    return Checked((*values, _lead(looked, rail, meter_v, u)), tuple(_findings(looked, rail, meter_v)))


def _lead(looked: Looked, rail: Rail, meter_v: float, u: Part) -> Value:
    """(volts at the supply - volts at the unit) / amps, at idle: a bound more often than a figure."""
    amps = looked.idle_a
    if amps <= 0.0:
        return not_measured("lead of the supply", "ohm", "no current is drawn")
    meter = Part("meter", u.u, u.kind, u.freedom)
    expanded_v, factor = expanded([meter, *rail.parts])
    drop_v = meter_v - rail.volts
    hidden = expanded_v is not None and abs(drop_v) < expanded_v
    reason = f"at {amps:.2g} A idle" + (": the drop is within its uncertainty" if hidden else "")
    return Value(
        "lead of the supply",
        drop_v / amps,
        "ohm",
        None,
        None if expanded_v is None else expanded_v / amps,
        factor,
        reason=reason,
    )


def _findings(looked: Looked, rail: Rail, meter_v: float) -> Iterator[Finding]:
    drop_v = meter_v - rail.volts
    if -drop_v > max(SENSE_V, rail.bound_v):
        sentence = f"{rail.volts:.2f} V at the unit, above the {meter_v:.2f} V the supply shows"
        yield Finding("supply sense", sentence, SENSE)
    elif drop_v > rail.bound_v:
        yield from lead_findings(looked.job.around.bench, drop_v / looked.idle_a, drop_v, meter_v)


def lead_findings(bench: Bench, ohm: float, drop_v: float, supply_v: float) -> Iterator[Finding]:
    """Where the lead has more ohms than its file says, and loses more than 3 % of the volts. drop_v: at the current
    that counts."""
    lead = bench.lead.get("supply")
    if ohm > LEAD_MORE * (lead.ohm if lead else 0.0) and drop_v > LEAD_DROP * supply_v:
        said = f", its file says {lead.ohm:.3g}" if lead else ""
        sentence = f"the supply lead has {ohm:.3g} ohm{said}: it loses {drop_v:.2g} V of {supply_v:.3g}"
        yield Finding("supply lead", sentence, LEAD)


@dataclass(frozen=True)
class Drawn:
    """One state of the unit: readings of the supply, and the silence at its terminals beside them."""

    readings: tuple[BenchReading, ...]
    rail: Rail

    def means(self) -> tuple[float, float]:
        n = len(self.readings)
        return sum(r.supply_v for r in self.readings) / n, sum(r.supply_a for r in self.readings) / n


def lead_by_difference(little: Drawn, much: Drawn) -> tuple[float, tuple[Part, ...]]:
    """Ohms of the lead by two currents: what range, probe and meters are off by falls out of the difference.

    R = [(Vs - Vu)_much - (Vs - Vu)_little] / (I_much - I_little). ValueError where the currents are alike.
    """
    (v_0, a_0), (v_1, a_1) = little.means(), much.means()
    amps = a_1 - a_0
    if amps <= 0.0:
        raise ValueError("both states draw the same current")
    ohm = ((v_1 - much.rail.volts) - (v_0 - little.rail.volts)) / amps
    parts = [
        Part(f"rail {n}", state.rail.own.u / amps, "normal", state.rail.own.freedom)
        for n, state in enumerate((little, much))
    ]
    for n, state in enumerate((little, much)):
        for what, share in (("V", 1.0), ("A", ohm)):
            seen = scatter([r.supply_v if what == "V" else r.supply_a for r in state.readings], "")
            parts.append(Part(f"meter {what} {n}", share * seen.u / amps, "normal", seen.freedom))
    return ohm, tuple(parts)
