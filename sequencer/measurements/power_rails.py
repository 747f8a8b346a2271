"""What all power rows of a unit together tell of its rails: the one inside, and the supply's at its terminals. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from sequencer.analysis.hard_clip import hard_clip_overdrive_db, mean_square
from sequencer.analysis.inner_rail import InnerRail, Knee, fit_inner_rail, part_left, source_between
from sequencer.measurements.values import Context, Finding

Row = Mapping[str, Any]

BY_DISTORTION = ("thd", "burst_residual")
FAST_HZ = 500.0  # below, the rail moves within a cycle, and a mean says too little
LONG_S = 0.007  # of the longest burst: shorter ones say nothing of a source
SETTLED_S = 0.015
MISFIT = 0.01
TAU_WITHIN_S = (0.0011, 0.045)  # at the edge of what is tried, no time constant was found
SURE = 1.15  # of two bursts only, seen perhaps on two ranges
FALL_WITHOUT_RATING = 0.165  # of the rail, all channels at full into the lowest load (our own bound)
SAG_PCT, LEAD_FACTOR = 3.0, 1.5
LEAD_CYCLES = 8
EFFICIENCY = 0.88  # of a converter (common practice, no source)
COUPLING_NEAR = 20.0  # below so many times the corner, a first cycle gives less than the following ones

RAIL = "Measure the inner rail under load; look at reservoir capacitors, rectifiers and the converter"
LEAD = "Measure the leads and contacts between supply and unit; fit thicker leads or clean the contacts"


def of_rails(context: Context) -> Iterator[tuple[str | None, Finding]]:
    """Over all rows of a run: (point, finding)."""
    searched = [row for row in context.earlier if row.get("measurement") == "output_power"]
    yield from _supply_lead(context, searched)
    yield from _weak_rail(context, searched)


# --- the rail inside


def _weak_rail(context: Context, rows: Sequence[Row]) -> Iterator[tuple[str | None, Finding]]:
    usable = [row for row in rows if _tells_of_the_rail(row)]
    if not usable:
        return
    channels = max((tuple(row["channels_driven"]) for row in usable), key=len)
    supply_v = max(row["supply_nominal_v"] for row in usable)
    alike = [r for r in usable if tuple(r["channels_driven"]) == channels and r["supply_nominal_v"] == supply_v]
    knees = [_knee(row) for row in alike]
    source = _source_ohm(knees)
    most_ohm, words = _most_ohm(context, len(channels))
    if source is None or source <= most_ohm:
        return
    row = max(alike, key=lambda r: (_knee(r).siemens, r["cycles"]))
    knee = _knee(row)
    fall = 1.0 - float(part_left(np.array(source), np.array(0.001), Knee(knee.rail_v, 1.0, knee.siemens)))
    sentence = (
        f"the inner rail falls by {100 * fall:.0f} % under full load at {row['load']}: its source is about "
        f"{source:.2g} ohm, where {words} {most_ohm:.2g} ohm at most"
    )
    yield str(row["id"]), Finding("weak rail", sentence, RAIL)


def _tells_of_the_rail(row: Row) -> bool:
    return (
        row["outcome"] == "measured"
        and row["stopped_by"] in BY_DISTORTION
        and row["frequency_hz"] >= FAST_HZ
        and not row.get("steady")
        and row.get("rail_note") != "rail moved"
        and bool(row["channels"])
    )


def _knee(row: Row) -> Knee:
    """The channel that ended the ramp: its power at the limit, taken back to where a hard clip begins."""
    ended = next((c for c in row["channels"] if c["channel"] == row["stopped_by_channel"]), row["channels"][0])
    power_w = ended["power_at_limit_w"] or ended["power_w"]
    ratio = row["stop_limit"] / 100.0 if ended["power_at_limit_w"] else ended["thd_pct"] / 100.0
    r = 10.0 ** (-hard_clip_overdrive_db(min(ratio, 0.4)) / 20.0)
    more = float((mean_square(np.array([r])) / r**2)[0]) * 2.0  # over the power just unclipped
    rail_v = math.sqrt(2.0 * power_w / more * ended["load_ohm"])
    siemens = sum(1.0 / c["load_ohm"] for c in row["channels"])
    return Knee(rail_v, (row["cycles"] - 0.5) / row["frequency_hz"], siemens)


def _source_ohm(knees: Sequence[Knee]) -> float | None:
    """From three bursts on, of which one is long; of two long ones into two loads a lower bound."""
    if len({(k.at_s, k.siemens) for k in knees}) >= 3 and max(k.at_s for k in knees) >= LONG_S:
        rail = fit_inner_rail(knees)
        return rail.source_ohm if _believed(rail) else None
    long = [k for k in knees if k.at_s >= SETTLED_S]
    if len({k.siemens for k in long}) < 2:
        return None
    light, heavy = min(long, key=lambda k: k.siemens), max(long, key=lambda k: k.siemens)
    source = source_between(light, heavy)
    return None if source is None else source / SURE


def _believed(rail: InnerRail) -> bool:
    return rail.misfit <= MISFIT and TAU_WITHIN_S[0] < rail.tau_s < TAU_WITHIN_S[1]


def _most_ohm(context: Context, channels: int) -> tuple[float, str]:
    """What a sound unit's source may have: by its two ratings furthest apart, which it must keep; else by our own
    bound."""
    ratings = [r for r in context.unit.rating if r.channels_driven == channels and r.cycles == 20]
    knees = [Knee(math.sqrt(2.0 * r.power_w * r.load_ohm), 0.0, channels / r.load_ohm) for r in ratings]
    if len({k.siemens for k in knees}) >= 2:
        light, heavy = min(knees, key=lambda k: k.siemens), max(knees, key=lambda k: k.siemens)
        by_ratings = source_between(light, heavy)
        if by_ratings is not None:
            return by_ratings, "its ratings allow"
    siemens = channels / context.unit.minimum_load_ohm
    q = FALL_WITHOUT_RATING / (1.0 - FALL_WITHOUT_RATING)
    return q / (2.0 / math.pi * siemens), "a sound unit has"


# --- the supply's rail at the unit


def _supply_lead(context: Context, rows: Sequence[Row]) -> Iterator[tuple[str | None, Finding]]:
    """The row with the largest fall at the unit's terminals, over the current that its power takes."""
    seen = [row for row in rows if _rail_seen(row) is not None and row["cycles"] >= LEAD_CYCLES and row["channels"]]
    if not seen:
        return
    row = max(seen, key=lambda r: _fall_v(r))
    rail, fall_v, amps = row["rails"][0], _fall_v(row), _more_amps(row)
    fall_pct = 100.0 * fall_v / rail["at_unit_before_v"]
    declared = context.bench.lead.get("supply")
    if fall_pct <= SAG_PCT or amps <= 0.0:
        return
    ohm, file_ohm = fall_v / amps, declared.ohm if declared else 0.0
    words = f"{fall_v:.2f} V ({fall_pct:.1f} %) less at the unit's terminals in the burst, for about {amps:.3g} A more"
    if row["stopped_by"] == "supply_current_limit":
        return
    if ohm > LEAD_FACTOR * file_ohm:
        sentence = f"{words}: {1000 * ohm:.0f} mohm, where the bench's file has {1000 * file_ohm:.0f} mohm"
        yield str(row["id"]), Finding("supply lead", sentence, LEAD)


def _rail_seen(row: Row) -> Row | None:
    rails = row.get("rails") or ()
    return rails[0] if rails and rails[0]["at_unit_v"] is not None else None


def _fall_v(row: Row) -> float:
    rail = row["rails"][0]
    return float(rail["at_unit_before_v"] - rail["at_unit_v"])


def _more_amps(row: Row) -> float:
    """Class B: what the rail gives is 4/pi of what a sine that just clips brings to the load."""
    watts = sum(c["power_w"] for c in row["channels"])
    return float(4.0 / math.pi * watts / EFFICIENCY / row["rails"][0]["at_unit_v"])


# --- a note for one row


def burst_note(context: Context, row: Row, rows: Sequence[Row]) -> str | None:
    """Why a short burst gives less than a longer one at a low frequency: an explanation, no finding.

    rows: all of the unit, among them longer bursts at the same load, frequency and limit.
    """
    if row["outcome"] != "measured" or row["cycles"] > 3 or not context.unit.coupling_hz:
        return None
    if row["frequency_hz"] >= COUPLING_NEAR * context.unit.coupling_hz:
        return None
    keys = ("load", "frequency_hz", "stop_limit", "stop_quantity", "supply_nominal_v", "channels_driven")
    longer = [
        other
        for other in rows
        if other.get("measurement") == "output_power"
        and other["outcome"] == "measured"
        and other["cycles"] > row["cycles"]
        and all(other[key] == row[key] for key in keys)
    ]
    if not any(_first_power(other) > _first_power(row) for other in longer):
        return None
    return f"behind a coupling corner of {context.unit.coupling_hz:g} Hz the first cycle is not a settled one"


def _first_power(row: Row) -> float:
    return float(row["channels"][0]["power_w"])
