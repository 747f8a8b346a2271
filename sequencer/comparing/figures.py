"""The figures of one run that can be compared with another run's: each with its uncertainty and where it comes from.
Pure.

A figure's key says what was measured and under which conditions, never which point it was: plans change over years.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sequencer.analysis.uncertainty import BRACKET, REPEATABILITY, Kind, Part
from sequencer.measurements.gravity import Gravity
from sequencer.measurements.rated import at_own_limit
from sequencer.report import words
from sequencer.report.attention import Rank, concerns
from sequencer.report.judged import load_ohms, ratings_of, same_conditions

Row = Mapping[str, Any]

UNWELL = (Rank.NOT_SAFE, Rank.TRIP, Rank.NO_END, Rank.OUTSIDE, Rank.OUTSIDE_NEAR)
# Of results that do not say it: the usual shape of each source (as the benches that ship declare it).
USUAL: Mapping[str, Kind] = {
    "heat": "rectangular", "contact": "rectangular", "probe": "rectangular", "range": "rectangular",
    "meter": "rectangular", BRACKET: "rectangular",
}  # fmt: skip


@dataclass(frozen=True)
class Figure:
    """expanded: at 95 %, None where nothing is known of it. parts: its budget, empty where only the sum was kept.

    at_least: a power whose ramp ended before its limit, and why. bounded: one whose ramp another channel ended, at its
    own limit: against a rating it says "at least". low, high: what it is rated, or the window or limit of its file.
    """

    key: str
    what: str
    channel: str
    unit: str
    value: float
    expanded: float | None = None
    parts: tuple[Part, ...] = ()
    at_least: str = ""
    low: float | None = None
    high: float | None = None
    bounded: bool = False

    @property
    def says_no_more_than_at_least(self) -> bool:
        return bool(self.at_least) or self.bounded

    @property
    def name(self) -> str:
        """With its channel: "W, 4R, 20 cycles 1 kHz at 1 % THD, A"."""
        return f"{self.what}, {self.channel}" if self.channel else self.what

    @property
    def is_power(self) -> bool:
        return self.key.startswith("power|")


@dataclass(frozen=True)
class Measured:
    """One run, with what a comparison needs of it. marks: the physical thing behind each source, by its id; empty of
    results that do not say. healthy: ended, and nothing found or outside. place: the folder it was read from."""

    id: str
    serial: str
    model: str
    label: str
    bench: str
    bench_sha256: str
    plan: str
    begun: str
    outcome: str
    healthy: bool
    reference: bool
    simulated: bool
    marks: Mapping[str, str]
    figures: tuple[Figure, ...]
    place: str = ""

    def shares(self, source: str, other: Measured) -> bool:
        """Whether a source of this id is the same physical thing in the other run. By its mark; of results that have
        none, where both runs had the very same bench file."""
        if source.startswith("transfer:"):  # what a range showed against the meter in one run
            return (self.id, self.begun) == (other.id, other.begun)
        if (self.bench, self.bench_sha256) == (other.bench, other.bench_sha256):
            return True
        mark = self.marks.get(source)
        return mark is not None and mark == other.marks.get(source)

    @property
    def told(self) -> str:
        """ "as received, 2026-01-05, bench workshop"."""
        parts = (self.label, self.begun[:10], f"bench {self.bench}")
        return ", ".join(words.clean(part) for part in parts if part)


def measured(run: Row, suspect: str | None = None, place: str = "") -> Measured:
    """Of a run as the results have it. suspect: why the numbers of its whole night are in doubt."""
    return Measured(
        id=_text(run["id"]),
        serial=_text(run["unit"]["serial"]),
        model=_text(run["unit"]["model"]),
        label=_text(run.get("label") or ""),
        bench=_text(run["bench"]),
        bench_sha256=_text(run["bench_sha256"]),
        plan=_text(run["plan"]),
        begun=_text(run["begun"]),
        outcome=str(run["outcome"]),
        healthy=suspect is None and _healthy(run),
        reference=bool(run.get("reference")),
        simulated=run.get("seed") is not None,
        marks=dict(run.get("source_marks") or {}),
        figures=figures(run),
        place=place,
    )


def _text(name: object) -> str:
    """Halves of characters, which no file of ours holds but an edited one may, are spelled out."""
    return str(name).encode("utf-8", "backslashreplace").decode("utf-8")


def _healthy(run: Row) -> bool:
    """Findings that are only of the bench, or of a control's position, do not count."""
    found = concerns(run)
    unwell = [c for c in found if c.rank in UNWELL or (c.rank == Rank.FOUND and c.weight[0] < Gravity.NOTED)]
    return run["outcome"] == "finished" and not unwell


def figures(run: Row) -> tuple[Figure, ...]:
    """In the order of the run's points; a key that stands twice is numbered."""
    ohms, seen, found = load_ohms(run), dict[str, int](), list[Figure]()
    for point in run["points"]:
        for one in [*_powers(run, point, ohms), *_values(point)]:
            times = seen[one.key] = seen.get(one.key, 0) + 1
            again = f", time {times}"
            found.append(one if times == 1 else replace(one, key=one.key + again, what=one.what + again))
    return tuple(found)


def power_words(run: Row, point: Row) -> str:
    """ "W, 4R, 20 cycles 1 kHz at 1 % THD"; the supply where the run has several, and the channels driven where they
    are fewer than elsewhere in it."""
    alike = [one for one in run["points"] if one["measurement"] == "output_power"]
    volts, few = point.get("supply_nominal_v"), len(point.get("channels_driven") or ())
    said = f"W, {words.where(point)} at {words.limit(point)}"
    if volts is not None and len({one.get("supply_nominal_v") for one in alike}) > 1:
        said += f", {volts:g} V"
    if few < max((len(one.get("channels_driven") or ()) for one in alike), default=0):
        said += f", {few} channel{'' if few == 1 else 's'} driven"
    return said


def _powers(run: Row, point: Row, ohms: Mapping[str, float]) -> Iterator[Figure]:
    if point["outcome"] != "measured":
        return
    ratings = ratings_of(ohms.get(point.get("load") or ""), run.get("ratings") or ())
    rated = [one["power_w"] for one in ratings if same_conditions(point, one)]
    supply, driven = point.get("supply_nominal_v"), len(point.get("channels_driven") or ())
    volts = "" if supply is None else f"{supply:g} V"
    what = power_words(run, point)
    for channel in point.get("channels") or ():
        name = str(channel["channel"])
        key = "|".join(
            ("power", str(point.get("load")), words.drive(point), words.limit(point), volts, str(driven), name)
        )
        at_limit = channel.get("power_at_limit_w")
        yield Figure(
            key=key,
            what=what,
            channel=words.clean(name),
            unit="W",
            value=float(channel["power_w"] if at_limit is None else at_limit),
            expanded=channel.get(
                "power_expanded_uncertainty_w" if at_limit is None else "power_at_limit_expanded_uncertainty_w"
            ),
            parts=_parts(channel),
            at_least=words.ended_by(point) if at_limit is None else "",
            low=rated[0] if rated else None,
            bounded=at_limit is not None and not at_own_limit(point, channel),
        )


def _parts(channel: Row) -> tuple[Part, ...]:
    """Of the power at the limit where there is one: the accepted power's parts to scale, and the bracket's."""
    own: Row = channel.get("uncertainty_parts_w") or {}
    kinds, freedom = channel.get("uncertainty_kinds") or {}, channel.get("uncertainty_freedom") or {}
    at_limit, scale = channel.get("power_at_limit_w"), 1.0
    if at_limit is not None and channel["power_w"] > 0.0:
        scale = at_limit / channel["power_w"]
    parts = [
        Part(id, scale * u, kinds.get(id) or USUAL.get(id.partition(":")[0], "normal"), freedom.get(id, math.inf))
        for id, u in sorted(own.items())
    ]
    if REPEATABILITY in own and not kinds and (repeats := channel.get("repeat_power_w")):
        few = max(1, len(repeats) - 1)  # results of before: what it was pooled with is not known
        parts = [replace(part, freedom=few) if part.id == REPEATABILITY else part for part in parts]
    if parts and at_limit is not None and (bracket := _bracket_w(channel, parts)) > 0.0:
        parts.append(Part(BRACKET, bracket, "rectangular"))
    return tuple(parts)


def _bracket_w(channel: Row, parts: Sequence[Part]) -> float:
    """As kept; of results of before what the expanded uncertainty at the limit leaves for it."""
    kept = channel.get("power_at_limit_bracket_w")
    if kept is not None:
        return float(kept)
    u, k = channel.get("power_at_limit_expanded_uncertainty_w"), channel.get("coverage_factor")
    if not u or not k:
        return 0.0
    return math.sqrt(max(0.0, (u / k) ** 2 - sum(part.u**2 for part in parts)))


def _values(point: Row) -> Iterator[Figure]:
    """Those that were seen. Their budgets are not kept in the results: only what they sum up to."""
    for value in point.get("values") or ():
        if value.get("value") is None:
            continue
        channel = words.clean(value.get("channel") or "")
        load = point.get("load") if point["measurement"] == "output_power" else None
        hz, unit = value.get("frequency_hz"), words.clean(value.get("unit") or "")
        conditions = ("value", point["measurement"], load or "", "" if hz is None else f"{hz:g}")
        yield Figure(
            key="|".join((*conditions, str(value["name"]), unit, channel)),
            what=words.name(value["name"]),
            channel=channel,
            unit=unit,
            value=float(value["value"]),
            expanded=value.get("expanded_uncertainty"),
            low=value.get("low"),
            high=value.get("high"),
        )


def to_text(found: Sequence[Figure]) -> str:
    """As the index keeps them, on one line."""
    return json.dumps([_packed(one) for one in found], separators=(",", ":"), allow_nan=False)


def from_text(text: str) -> tuple[Figure, ...]:
    return tuple(
        Figure(key, what, channel, unit, value, expanded, _unpacked(parts), *rest)
        for key, what, channel, unit, value, expanded, parts, *rest in json.loads(text)
    )


def _packed(one: Figure) -> list[Any]:
    parts = [[p.id, p.u, p.kind, None if math.isinf(p.freedom) else p.freedom] for p in one.parts]
    limits = [one.at_least, one.low, one.high, one.bounded]
    return [one.key, one.what, one.channel, one.unit, one.value, one.expanded, parts, *limits]


def _unpacked(parts: Sequence[Sequence[Any]]) -> tuple[Part, ...]:
    return tuple(Part(id, u, kind, math.inf if freedom is None else freedom) for id, u, kind, freedom in parts)
