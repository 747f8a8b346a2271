"""Judgements of a run: measured powers against the unit's ratings, and the values that were judged in the night. Pure.

A rating judges a row only under its own conditions: load, supply, limit, channels driven, length of burst.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.measurements.rated import RATED_HZ, standing
from sequencer.report import words

Row = Mapping[str, Any]

LOAD_AGREES = 0.05  # a bench's load may lie up to 5 % off its nominal ohms
SUPPLY_AGREES = 0.01
LESS_THAN = re.compile(r"below floor, less than ([0-9.e+-]+) %")


@dataclass(frozen=True)
class Judged:
    """One judgement. limit: what it was held against, in words; near: nearer to the limit than its uncertainty."""

    point: str
    where: str
    channel: str
    reading: str
    limit: str
    judgement: str
    near: bool = False
    reason: str = ""
    is_power: bool = True
    short_by: float = 0.0  # of a power: how far it lies below what is rated, as a part


def judgements(run: Row) -> tuple[Judged, ...]:
    """All of a run, in the order of its points."""
    ohms = load_ohms(run)
    return tuple(
        judged
        for point in run["points"]
        for judged in [*_powers(point, run.get("ratings") or (), ohms), *_values(point)]
    )


def counted(judged: Sequence[Judged]) -> str:
    """ "3 of 4 within, 1 outside"; never a bare "all well"."""
    if not judged:
        return "nothing judged"
    missed = sum(j.judgement == "not measured" for j in judged)
    if missed == len(judged):
        return f"{missed} not measured"
    counts = {kind: sum(j.judgement == kind for j in judged) for kind in ("outside", "below floor", "not measured")}
    said = [words.of(sum(j.judgement == "within" for j in judged), len(judged), "within")]
    return ", ".join(said + [f"{n} {kind}" for kind, n in counts.items() if n])


def load_ohms(run: Row) -> dict[str, float]:
    """Measured ohms by the load's name: points that were not measured say only the name."""
    return {p["load"]: c["load_ohm"] for p in run["points"] if p.get("load") for c in p.get("channels") or ()}


def ratings_of(load_ohm: float | None, ratings: Sequence[Row]) -> list[Row]:
    """The ratings for this load, whatever their other conditions."""
    return [r for r in ratings if load_ohm and abs(load_ohm / r["load_ohm"] - 1.0) <= LOAD_AGREES]


def _powers(point: Row, ratings: Sequence[Row], ohms: Mapping[str, float]) -> Iterator[Judged]:
    for rating in ratings_of(ohms.get(point.get("load") or ""), ratings):
        if not same_conditions(point, rating):
            continue
        asked = f"rated {rating['power_w']:g} W"
        if point["outcome"] != "measured":
            yield Judged(
                point["id"], words.where(point), "", words.NONE, asked, "not measured",
                reason=words.not_measured(point),
            )  # fmt: skip
        yield from (_power(point, channel, rating["power_w"], asked) for channel in point.get("channels") or ())


def _power(point: Row, channel: Row, rated_w: float, asked: str) -> Judged:
    """Held against the power at its own limit; else what it gives says only "at least"."""
    name, where, stands = words.clean(channel["channel"]), words.where(point), standing(point, channel, rated_w)
    how = "" if stands.how == "at limit" else f"{stands.how} "
    reading = f"{how}{words.measured(stands.power_w, stands.expanded_w)} W"
    if stands.judgement != "not measured":
        short_by = max(0.0, 1.0 - stands.power_w / rated_w)
        return Judged(point["id"], where, name, reading, asked, stands.judgement, stands.near, short_by=short_by)
    why = f"the ramp ended below the rated power: {words.ended_by(point)}"
    if stands.first:
        why = f"channel {words.short(stands.first, 20)} reached its limit first: what more this one gives is not known"
    return Judged(point["id"], where, name, reading, asked, "not measured", reason=why)


def same_conditions(point: Row, rating: Row) -> bool:
    """Whether a row was measured as its rating says; the load apart."""
    supply, cycles = point.get("supply_nominal_v"), 0 if point.get("steady") else point.get("cycles")
    return (
        point["measurement"] == "output_power"
        and cycles == rating["cycles"]
        and RATED_HZ[0] <= (point.get("frequency_hz") or 0.0) <= RATED_HZ[1]
        and point.get("stop_limit") == rating["thd_pct"]
        and point.get("stop_quantity", "thd") == "thd"
        and len(point.get("channels_driven") or ()) == rating["channels_driven"]
        and supply is not None
        and abs(supply / rating["supply_v"] - 1.0) <= SUPPLY_AGREES
    )


def _values(point: Row) -> Iterator[Judged]:
    for value in point.get("values") or ():
        if value.get("judgement"):
            shown = words.measured(value.get("value"), value.get("expanded_uncertainty"))
            unit = words.clean(value.get("unit") or "")
            if value.get("value") is None and (below := LESS_THAN.search(value.get("reason") or "")):
                shown = f"< {below[1]}"
            yield Judged(
                point["id"],
                words.name(value["name"]),
                words.clean(value.get("channel") or ""),
                f"{shown} {unit}".strip(),
                words.clean(value.get("reason") or ""),
                value["judgement"],
                is_power=False,
            )
