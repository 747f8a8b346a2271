"""The batch page: one row per unit, the one that needs a person most on top. Pure."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.measurements.first_answer import answer, is_first_look
from sequencer.report import words
from sequencer.report.attention import Concern, Rank, by_attention, needing
from sequencer.report.how_sections import bench_proved
from sequencer.report.judged import counted, judgements
from sequencer.report.power_sections import powered
from sequencer.report.sheet import SIMULATED, is_simulated
from sequencer.report.shots import longest
from sequencer.report.twice import marks, repeated, sentences

Row = Mapping[str, Any]

ENOUGH_FOR_A_SPREAD = 3
MORE_SHOWN = 2
COLUMNS_AT_MOST = 3
ACTIONS_AT_MOST = 3
TOGETHER = "W at the limit, by load"


@dataclass(frozen=True)
class Unit:
    """One row. powers: texts under the page's heads, one line a channel. answer: of a first look, else empty. first:
    the most urgent concern, empty where the answer says it already."""

    serial: str
    told: str
    link: str
    answer: str
    first: str
    more: tuple[Concern, ...]
    left_out: int
    actions: tuple[str, ...]
    points: str
    judged: str
    powers: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Spread:
    """Median and ends over the units of one head and channel."""

    head: str
    channel: str
    units: int
    median: str
    lowest: str
    highest: str


@dataclass(frozen=True)
class Batch:
    title: str
    lines: tuple[str, ...]
    warnings: tuple[str, ...]
    heads: tuple[str, ...]
    units: tuple[Unit, ...]
    spreads: tuple[Spread, ...]


def batch(results: Row, links: Mapping[str, str]) -> Batch:
    """links: address of each run's sheet by its id, relative to the page."""
    runs: Sequence[Row] = results["runs"]
    columns = _columns_of(runs)
    doubts = (words.sentence(f"Suspect: {results['suspect']}"),) if results.get("suspect") else ()
    simulated = (SIMULATED,) if any(map(is_simulated, runs)) else ()
    marked = marks(runs)
    units = len({run["unit"]["serial"] for run in runs})
    return Batch(
        f"Batch of {units} unit{'' if units == 1 else 's'}",
        tuple(_lines(runs)),
        doubts + simulated,
        tuple(columns) if len(columns) <= COLUMNS_AT_MOST else (TOGETHER,),
        tuple(
            _unit(run, found, links[run["id"]], columns, marked.get(run["id"], "")) for run, found in by_attention(runs)
        ),
        tuple(_spreads([run for run in runs if run["id"] not in repeated(runs)], columns)),
    )


def _lines(runs: Sequence[Row]) -> list[str]:
    plans = words.listed(sorted({words.clean(run["plan"]) for run in runs}))
    benches = words.listed(sorted({words.clean(run["bench"]) for run in runs}))
    ends = [run["ended"] for run in runs if run.get("ended")]
    span = (
        f"{words.stamp(min(r['begun'] for r in runs))}{f' to {words.stamp(max(ends))}' if ends else ''}" if runs else ""
    )
    judged = [j for run in runs for j in judgements(run)]
    counted_in = "units" if len({run["unit"]["serial"] for run in runs}) == len(runs) else "runs"
    return [
        f"Plan {plans}, bench {benches}; {span}",
        f"{words.of(needing(runs), len(runs), f'{counted_in} to look at')}; of all readings {counted(judged)}.",
        *sentences(runs),
        *_proved(runs),
    ]


def _proved(runs: Sequence[Row]) -> list[str]:
    """How the bench was proved, each way once."""
    told = [f"{term}: {said}" for run in runs for term, said in bench_proved(run)]
    return list(dict.fromkeys(told))


def _columns_of(runs: Sequence[Row]) -> list[str]:
    """Of each load the drive that most units have: one unit's shorter burst makes no column of its own."""
    by_load: dict[Any, Counter[str]] = {}
    for run in runs:
        for point in longest(powered(run)):
            by_load.setdefault(point.get("load"), Counter())[_head(point)] += 1
    return [counts.most_common(1)[0][0] for counts in by_load.values()]


def _head(point: Row) -> str:
    limit = f" at {words.limit(point)}" if point.get("stop_limit") is not None else ""
    return f"W, {words.where(point)}{limit}"


def _unit(run: Row, found: Sequence[Concern], link: str, columns: Sequence[str], mark: str) -> Unit:
    points = {_head(p): p for p in longest(powered(run))}
    label = f", {words.clean(run['label'])}" if run.get("label") else ""
    label += f"; {mark}" if mark else ""
    rest = tuple(c for c in found[1:] if c.rank < Rank.NOTHING)
    shown = max(MORE_SHOWN, sum(c.rank == Rank.FOUND for c in rest))  # no finding stands on its sheet alone
    measured = sum(p["outcome"] == "measured" for p in run["points"])
    said = words.told(answer(run)) if is_first_look(run) else ""
    return Unit(
        words.clean(run["unit"]["serial"]),
        f"{words.clean(run['unit']['model'])}{label}",
        link,
        said,
        "" if _bare(found[0].sentence) in _bare(said) else found[0].sentence,
        rest[:shown],
        max(0, len(rest) - shown),
        _actions((found[0], *rest[:shown])),
        words.of(measured, len(run["points"]), "points"),
        counted(judgements(run)),
        _columns(points, columns),
    )


def _bare(sentence: str) -> str:
    return sentence.rstrip(".").lower()


def _actions(shown: Sequence[Concern]) -> tuple[str, ...]:
    """What to do next, each once: of trips and findings, causes before what follows from them; else of the first."""
    pressing = [one for one in shown if one.rank <= Rank.FOUND] or [shown[0]]
    causes_first = sorted(pressing, key=lambda one: one.weight[1])
    return tuple(dict.fromkeys(one.next_action for one in causes_first))[:ACTIONS_AT_MOST]


def _columns(points: Mapping[str, Row], columns: Sequence[str]) -> tuple[tuple[str, ...], ...]:
    """One cell a head; where that would be wider than paper, all in one cell, each with its load before it."""
    if len(columns) <= COLUMNS_AT_MOST:
        return tuple(_powers(points.get(column)) for column in columns)
    return (tuple(f"{words.short(p.get('load') or '', 20)}: {', '.join(_powers(p))}" for p in points.values()),)


def _powers(point: Row | None) -> tuple[str, ...]:
    """ "A 63.8 ±1.6": at the limit, else "A ≥ 63.8 ±1.5" where the ramp ended before it."""
    if point is None:
        return ("not measured",)
    return tuple(
        f"{words.short(c['channel'], 12)} {words.at_limit(c)}"
        if c.get("power_at_limit_w") is not None
        else f"{words.short(c['channel'], 12)} ≥ {words.accepted(c)}"
        for c in point["channels"]
    )


def _spreads(runs: Sequence[Row], columns: Sequence[str]) -> list[Spread]:
    """Three units or more of one model: below that a median says nothing that the rows don't."""
    models = {run["unit"]["model"] for run in runs}
    if len(models) != 1:
        return []
    found: dict[tuple[str, str], list[float]] = {}
    for run in runs:
        for point in longest(powered(run)):
            for channel in point["channels"]:
                if channel.get("power_at_limit_w") is not None:
                    key = (_head(point), channel["channel"])
                    found.setdefault(key, []).append(channel["power_at_limit_w"])
    return [
        Spread(
            head, words.clean(name), len(watts), *map(words.number, (statistics.median(watts), min(watts), max(watts)))
        )
        for (head, name), watts in sorted(found.items(), key=lambda one: (_place(columns, one[0][0]), one[0][1]))
        if len(watts) >= ENOUGH_FOR_A_SPREAD and head in columns
    ]


def _place(columns: Sequence[str], head: str) -> int:
    return columns.index(head) if head in columns else len(columns)
