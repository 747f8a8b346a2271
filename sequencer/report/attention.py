"""What a person should look at first in the morning, why, and what to do next. Pure.

Reasons come from the results alone: trips, ends, findings, judgements and how near they are, points without a number.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from sequencer.measurements.gravity import Gravity, cause_of, weighed
from sequencer.report import words
from sequencer.report.judged import Judged, counted, judgements

Row = Mapping[str, Any]


class Rank(IntEnum):
    """What comes first. A danger before a fault, a fault before a doubt."""

    NOT_SAFE = 0
    TRIP = 1
    NO_END = 2
    FOUND = 3
    OUTSIDE = 4
    OUTSIDE_NEAR = 5
    NOT_MEASURED = 6
    ENDED_EARLY = 7
    WITHIN_NEAR = 8
    RAIL = 9
    FLOOR = 10
    NOTHING = 11


@dataclass(frozen=True)
class Concern:
    """One reason in a sentence, with its next action. points: the ids of the rows it is about. weight: of findings,
    the gravest first; what only follows from another one after it."""

    rank: Rank
    points: tuple[str, ...]
    sentence: str
    next_action: str
    weight: tuple[int, int] = (0, 0)

    @property
    def urgency(self) -> float:
        """Its rank; a unit that must not be powered comes even before one that tripped and was made safe."""
        danger = self.rank == Rank.FOUND and self.weight[0] == Gravity.DANGER
        return Rank.TRIP - 0.5 if danger else float(self.rank)

    @property
    def place(self) -> tuple[float, tuple[int, int], tuple[str, ...], str]:
        return self.urgency, self.weight, self.points, self.sentence


AFTER_TRIP = {
    "unit": "Look at the unit before it is powered again.",
    "bench": "Prove the bench (leads, load, supply) before the next unit.",
    "link": "Check that instrument's cable and address, then measure the points that are left.",
}
NOT_SAFE_NEXT = "Treat all of it as live: emergency stop by hand, then measure the rail before touching anything."
WEAK_NEXT = "Compare with the other channel and with the rail of the same row; repair before rating."
SUMMED_UP = 3  # so many powers below their ratings are told together
NEAR = "nearer to the limit than its uncertainty"
WHY_NOT = {
    "never_below": "Look at the trace at low level: crossover distortion, oscillation or hum.",
    "floor": "Give the bench a lower floor (a smaller range, more bits), or the plan a higher limit.",
    "not_repeatable": "Let the unit rest, look for a loose contact, then measure these points again.",
    "protection": "Find what made the protection act before the unit is driven again.",
    "time_budget": "Give the plan more time or more shots for a point.",
    "energy_budget": "Allow more energy, or fewer points, and let the unit cool.",
    "temperature": "Let the unit cool; look at its fan and at how its devices are mounted.",
}
WHY_EARLY = {
    "early_cycles": ("the first cycles clip though the last is clean", "Look at the rail, then for a limiter."),
    "limited": ("gain falls while distortion stays low: something limits", "Find the limiter's setting."),
    "generator_ceiling": ("the generator's ceiling came first", "Check the unit's level control and gain."),
    "bench_ceiling": ("a ceiling of the bench came first", "It is at least this: raise the ceiling if loads allow."),
    "supply_current_limit": ("the supply limited its current", "Use a stronger supply: this power is the supply's."),
    "rail_moved": ("the rail fell too far", "Measure leads and supply: this power is the supply's."),
    "protection": ("the unit's protection acted", "Find what made it act before further drive."),
    "temperature": ("the heat sink reached its stop limit", "Look at the fan and the mounting."),
    "time_budget": ("the time allowed was spent", "Give the plan more time."),
    "energy_budget": ("the energy allowed was spent", "Allow more energy, or fewer points."),
    "person": ("a person ended it", "Measure again what is left."),
}  # fmt: skip


def concerns(run: Row) -> tuple[Concern, ...]:
    """All of a run, the most urgent first; one of rank NOTHING where there is none."""
    judged = judgements(run)
    found = [*_trips(run), *_end(run), *_findings(run), *_outside(judged), *_points(run)]
    return tuple(sorted(found, key=lambda one: one.place)) or (_nothing(run, judged),)


def by_attention(runs: Sequence[Row]) -> list[tuple[Row, tuple[Concern, ...]]]:
    """Runs with their concerns: by the most urgent one and its weight, then by how many there are of that rank, then by
    serial."""
    told = [(run, concerns(run)) for run in runs]
    return sorted(
        told,
        key=lambda one: (
            one[1][0].urgency,
            one[1][0].weight,
            -_of_first_rank(one[1]),
            one[0]["unit"]["serial"],
            str(one[0]["begun"]),
            one[0]["id"],
        ),
    )


def _of_first_rank(found: Sequence[Concern]) -> int:
    return sum(len(c.points) or 1 for c in found if c.rank == found[0].rank)


def needing(runs: Sequence[Row]) -> int:
    """How many runs have anything to look at."""
    return sum(concerns(run)[0].rank < Rank.NOTHING for run in runs)


def _nothing(run: Row, judged: Sequence[Judged]) -> Concern:
    measured = sum(p["outcome"] == "measured" for p in run["points"])
    count = words.of(measured, len(run["points"]), "points measured")
    return Concern(Rank.NOTHING, (), f"Nothing needs attention: {count}, {counted(judged)}.", "None.")


def _trips(run: Row) -> Iterator[Concern]:
    for trip in run.get("trips") or ():
        at = (trip["point"],) if trip.get("point") else ()
        held = f" ({words.number(trip['value'])}, limit {words.number(trip['limit'])})" if _numbers(trip) else ""
        told = f"Trip{f' at {words.clean(at[0])}' if at else ''}: {words.clean(trip['sentence']).rstrip('.')}{held}."
        if trip.get("confirmed_safe") is False:
            open_ones = ", ".join(map(words.clean, trip.get("not_confirmed") or ())) or "not said what"
            yield Concern(Rank.NOT_SAFE, at, f"{told} The bench was not confirmed safe: {open_ones}.", NOT_SAFE_NEXT)
        else:
            yield Concern(Rank.TRIP, at, told, AFTER_TRIP.get(trip.get("cause") or "", AFTER_TRIP["unit"]))


def _numbers(trip: Row) -> bool:
    return trip.get("value") is not None and trip.get("limit") is not None


def _end(run: Row) -> Iterator[Concern]:
    kept = f"{len(run['points'])} point{'' if len(run['points']) == 1 else 's'} kept"
    if run["outcome"] == "unfinished":
        yield Concern(Rank.NO_END, (), f"The run has no end: {kept}.", "Find out why, then go on with it: --resume.")
    if run["outcome"] == "stopped":
        yield Concern(Rank.NO_END, (), f"Stopped by a person: {kept}.", "Measure what is left of the plan.")
    if run["outcome"] == "tripped" and not run.get("trips"):
        yield Concern(Rank.TRIP, (), f"Tripped, with no word kept of why: {kept}.", AFTER_TRIP["unit"])


def _findings(run: Row) -> Iterator[Concern]:
    """Those of one kind are one concern."""
    every = run.get("findings") or ()
    together: dict[str, list[tuple[tuple[int, int], Row]]] = {}
    for own, follows, finding in weighed(every):
        together.setdefault(finding["kind"], []).append(((own, follows), finding))
    for some in together.values():
        weight, finding = some[0]
        at = tuple(dict.fromkeys(one["point"] for _, one in some if one.get("point")))
        told = _finding(finding, [one for _, one in some[1:]], cause_of(finding, every))
        todo = words.told(finding.get("next_action") or "Look at it before the unit goes back")
        yield Concern(Rank.FOUND, at, told, todo, weight)


def _finding(finding: Row, others: Sequence[Row], cause: str | None) -> str:
    """Its sentence, whose channel it is, which others show it likewise, and what explains it."""
    channel = f"channel {words.clean(finding['channel'])}: " if finding.get("channel") else ""
    alike = sorted({words.clean(one["channel"]) for one in others if one.get("channel")} - {finding.get("channel")})
    also = f"; channel {', '.join(alike)} likewise" if alike else ""
    known = cause is None or "; see: " in finding["sentence"]
    see = "" if known else f"; see: {words.clean(cause)}"
    return words.told(channel + finding["sentence"].rstrip(".") + also + see)


def _outside(judged: Sequence[Judged]) -> Iterator[Concern]:
    """Channels of one reading that were judged alike are one sentence; so is one value in several states of heat."""
    together: dict[tuple[object, ...], list[Judged]] = {}
    for one in judged:
        if one.judgement == "outside" or (one.judgement == "within" and one.near):
            place = (one.point, one.where) if one.is_power else (one.where.partition(", ")[0],)
            together.setdefault((place, _limit(one), one.judgement, one.near), []).append(one)
    weak = [some for some in together.values() if _is_weak(some[0])]
    if len(weak) >= SUMMED_UP:
        yield _weak([one for some in weak for one in some])
        together = {place: some for place, some in together.items() if not _is_weak(some[0])}
    for some in together.values():
        yield _judged(some, f"{_readings(some)}{', ' if _limit(some[0]) else ''}{_limit(some[0])}")


def _is_weak(one: Judged) -> bool:
    return one.is_power and one.judgement == "outside" and not one.near


def _weak(powers: Sequence[Judged]) -> Concern:
    """Many powers below their ratings: how many, and the one furthest below."""
    worst = max(powers, key=lambda one: one.short_by)
    told = (
        f"{len(powers)} powers outside; furthest below {_limit(worst)}, by {100.0 * worst.short_by:.0f} %: "
        f"{worst.where}, channel {worst.channel}, {worst.reading}."
    )
    return Concern(Rank.OUTSIDE, tuple(dict.fromkeys(one.point for one in powers)), told, WEAK_NEXT)


def _limit(one: Judged) -> str:
    """What it was held against, without what is said of it besides."""
    return one.limit.partition("; ")[0]


def _readings(some: Sequence[Judged]) -> str:
    """ "offset, cold: A 0.021 V, B 0.023 V; offset, warm: A 0.024 V"."""
    by_where: dict[str, list[Judged]] = {}
    for one in some:
        by_where.setdefault(one.where, []).append(one)
    if len(some) == 1 and some[0].channel:
        return f"{some[0].where}, channel {some[0].channel}: {some[0].reading}"
    told = (", ".join(f"{one.channel} {one.reading}".strip() for one in alike) for alike in by_where.values())
    return "; ".join(f"{where}: {readings}" for where, readings in zip(by_where, told, strict=True))


def _judged(some: Sequence[Judged], told: str) -> Concern:
    one, points = some[0], tuple(dict.fromkeys(s.point for s in some))
    told = told[:1].upper() + told[1:]
    if one.judgement == "within":
        todo = "Keep a guard band, or measure again with a range gain known better."
        return Concern(Rank.WITHIN_NEAR, points, f"{told}: within, {NEAR}.", todo)
    if one.near:
        todo = "Measure again with a range gain known better before the unit is judged."
        return Concern(Rank.OUTSIDE_NEAR, points, f"{told}: outside, {NEAR}.", todo)
    todo = WEAK_NEXT if one.is_power else "Repair before rating."
    return Concern(Rank.OUTSIDE, points, f"{told}: outside.", todo)


def _points(run: Row) -> Iterator[Concern]:
    """Points of one reason together: forty rows without a rail are one sentence."""
    together: dict[tuple[Rank, str, str], list[str]] = defaultdict(list)
    for point in run["points"]:
        for key in _of_point(point):
            together[key].append(words.clean(point["id"]))
    whole = len(run["points"])
    for (rank, told, todo), ids in together.items():
        at = f"Point {ids[0]}" if len(ids) == 1 else words.of(len(ids), whole, "points")
        yield Concern(rank, tuple(ids), f"{at}, {told}.", todo)


def _of_point(point: Row) -> Iterator[tuple[Rank, str, str]]:
    by = point.get("stopped_by") or ""
    if point["outcome"] != "measured":
        yield Rank.NOT_MEASURED, words.not_measured(point), WHY_NOT.get(by, "Mend the reason, then measure again.")
    elif by in WHY_EARLY:
        why, todo = WHY_EARLY[by]
        yield Rank.ENDED_EARLY, f"power not at the limit of distortion: {why}", todo
    if point.get("rail_note") == "rail moved":
        yield Rank.RAIL, "the rail moved in the burst: the power is also the supply's", "Compare with a stiffer supply."
    elif point.get("rail_note") == "rail not seen":
        yield Rank.RAIL, "the rail was not seen in the burst", "Wire the rail at the unit to a digitiser input."
    if point.get("floor_note"):
        yield Rank.FLOOR, words.clean(point["floor_note"]).rstrip("."), "Read low distortion with this floor in mind."
