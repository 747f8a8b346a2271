"""`report --reanalyse`: every number again from what a night has kept, by the code of today, and what changed.

Where all shots were kept (`--keep-shots`), each measurement is led through its talk again, search and all. Else the
one shot that is a row of power is read again from its trace; what rests on other shots is left as it was, and said.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from sequencer.ledger.declared import Declared, DeclaredRun, declared_of_runs
from sequencer.ledger.traces import read_trace
from sequencer.measurements.judge import judge
from sequencer.measurements.output_power import Outcome, output_power
from sequencer.measurements.power_job import GainProof, PowerJob
from sequencer.measurements.power_rows import again, repeats, rows
from sequencer.measurements.predict import Learned
from sequencer.measurements.registry import VALUE_MEASUREMENTS
from sequencer.measurements.requests import Reply, Request
from sequencer.measurements.values import Context
from sequencer.night.replay import OtherWay, has_meter_ohms, has_two_tones, replay, talks_of
from sequencer.night.setup import NightPlan, UnitRun, groups, power_job
from sequencer.night.shelf import talks_folder
from sequencer.night.unit_state import drive_ended_ns
from sequencer.night.values import value_job, value_row
from sequencer.on_paper import version
from sequencer.plan.expand import expand
from sequencer.plan.points import AnyPoint, Point, ValuePoint

Row = dict[str, Any]
ALL_SHOTS, ONE_SHOT, NOT_REDONE = "all shots", "the row's own shot", "not redone"
THINNED = "a thinned trace of the row's own shot"  # compared and not put in: it is no longer the same record
THINNED_WITHIN = 0.002  # of the watts: what thinning alone may change (our own judgement); distortion has another floor
ELSEWHERE = frozenset({"outcome", "reason", "stopped_by"})  # of a tripped or protected point: not of its talk alone
SHOWN, NAMED = 20, 5  # lines of changes, names of points
CHANGES_NAME = "changes.json"
REANALYSED = "reanalysed"
NO_TALK = "nothing was measured then, or its shots were not kept"


@dataclass(frozen=True)
class Change:
    """One number or word. key: its path within the row."""

    key: str
    was: Any
    now: Any


@dataclass(frozen=True)
class Again:
    """One point. row: with all that was redone put in; compared: how many numbers and words were."""

    id: str
    by: str
    row: Row
    compared: int = 0
    changed: tuple[Change, ...] = ()
    reason: str | None = None


@dataclass
class _State:
    """What later points of a unit inherit from earlier ones."""

    rows: list[Row] = field(default_factory=list)
    proofs: dict[tuple[Any, ...], GainProof] = field(default_factory=dict)
    learned: list[Learned] = field(default_factory=list)
    repeats: list[list[float]] = field(default_factory=list)
    last_drive_ns: int | None = None

    def heard(self, request: Request, reply: Reply) -> None:
        self.last_drive_ns = drive_ended_ns(request, reply) or self.last_drive_ns


def reanalyse(folder: Path, results: Mapping[str, Any]) -> dict[str, list[Again]]:
    """Per run, its points in order. results: as kept. Raises InputRefused."""
    declared = declared_of_runs(folder)
    return {
        run["id"]: list(_Run(folder, told, run, told.run[run["id"]]).points())
        for run in results["runs"]
        if (told := declared.get(run["id"])) is not None
    }


class _Run:
    def __init__(self, folder: Path, declared: Declared, kept: Mapping[str, Any], told: DeclaredRun) -> None:
        bench, plan, unit = declared.bench, declared.plan, told.unit
        bay = next(bay for bay in bench.bay if bay.name == told.bay)
        self._run = UnitRun(str(kept["id"]), unit, bay, expand(plan, unit, bench), told.reference)
        self._night = NightPlan(plan, bench, (self._run,), 0, "", "", version(), {})
        self._folder, self._state = folder, _State()
        self._kept: dict[str, Row] = {row["id"]: row for row in kept["points"]}

    def points(self) -> Iterator[Again]:
        for group in groups(self._run.points):
            kept = [self._kept[point.id] for point in group if point.id in self._kept]
            if len(kept) == len(group):  # a night that ended early kept no row of what was left
                found = list(self._group(group, kept))
                self._state.rows += [one.row for one in found]
                yield from found

    def _group(self, group: tuple[AnyPoint, ...], kept: list[Row]) -> Iterator[Again]:
        point = group[0]
        talks = talks_of(talks_folder(self._folder, self._run.id, point.id), point.measurement)
        try:
            if talks and kept[0]["outcome"] != "tripped":
                redone = (
                    self._searched(talks[-1], group) if isinstance(point, Point) else self._valued(talks[-1], point)
                )
                yield from (_against(row, now) for row, now in zip(kept, redone, strict=True))
                return
        except OtherWay as other:
            yield from (Again(row["id"], NOT_REDONE, row, reason=str(other)) for row in kept)
            return
        for one, row in zip(group, kept, strict=True):
            yield self._one_shot(one, row)

    def _searched(self, talk: Path, group: tuple[AnyPoint, ...]) -> list[Row]:
        state, searched = self._state, tuple(point for point in group if isinstance(point, Point))
        point = searched[0]
        key = (point.frequency_hz, point.load, point.channels, point.supply_v)
        job = power_job(self._night, self._run, searched, state.rows)
        outcome: Outcome = replay(talk, output_power(job, state.proofs.get(key), tuple(state.learned)), state.heard)
        if outcome.proof is not None:
            state.proofs[key] = outcome.proof
        if outcome.learned is not None:
            state.learned.append(outcome.learned)
        found = rows(outcome, tuple(state.repeats))
        for row in found:
            state.repeats += repeats(row)
        return found

    def _valued(self, talk: Path, point: AnyPoint) -> list[Row]:
        assert isinstance(point, ValuePoint)
        state, run = self._state, self._run
        earlier, tones = tuple(state.rows), has_two_tones(talk)
        context = Context(run.unit, self._night.bench, run.bay, earlier, state.last_drive_ns, tones)
        context = replace(context, meter_reads_ohms=has_meter_ohms(talk))
        job = value_job(self._night, run, point, context)
        return [value_row(point, replay(talk, VALUE_MEASUREMENTS[point.measurement](job), state.heard))]

    def _one_shot(self, point: AnyPoint, row: Row) -> Again:
        """Of a point of power that was measured: the shot that is the row."""
        trace = next((name for name in row.get("traces", ()) if "+accepted" in name), None)
        if not isinstance(point, Point) or trace is None or row["outcome"] != "measured":
            return Again(row["id"], NOT_REDONE, row, reason=NO_TALK)
        job: PowerJob = power_job(self._night, self._run, (point,), self._state.rows)
        shot = read_trace(self._folder / trace)
        before_v = next((rail["at_unit_before_v"] for rail in row["rails"]), None)
        now = again(job, judge(job, shot, {}, before_v))
        record = shot.records[job.channels[0].input]
        is_whole = math.isclose(record.sample_interval_s * record.volts.size, row["record_s"], rel_tol=1e-9)
        is_whole &= math.isclose(1.0 / record.sample_interval_s, row["sample_rate_hz"], rel_tol=1e-9)
        return _against(row, now, ONE_SHOT) if is_whole else _thinned(row, now)


def _thinned(row: Row, now: Row) -> Again:
    """Changes beyond what thinning makes."""
    seen = [
        (f"channels[{number}].power_w", was["power_w"], one["power_w"])
        for number, (was, one) in enumerate(zip(row["channels"], now["channels"], strict=True))
    ]
    changed = tuple(Change(key, was, one) for key, was, one in seen if abs(one - was) > THINNED_WITHIN * was)
    return Again(row["id"], THINNED, row, len(seen), changed)


def _against(row: Row, now: Row, by: str = ALL_SHOTS) -> Again:
    """now: only what was redone."""
    if row.get("outcome") != now.get("outcome", row.get("outcome")) and row.get("stopped_by") == "protection":
        now = {key: value for key, value in now.items() if key not in ELSEWHERE}
    seen: list[tuple[str, Any, Any]] = list(_leaves("", row, now))
    changed = tuple(Change(key, was, is_now) for key, was, is_now in seen if was != is_now)
    return Again(row["id"], by, _put_in(row, now), len(seen), changed)


def _leaves(key: str, was: Any, now: Any) -> Iterator[tuple[str, Any, Any]]:
    """Every number and word that is in `now`, beside what it was; None where it was not."""
    if isinstance(now, Mapping):
        for name, value in now.items():
            yield from _leaves(
                f"{key}.{name}" if key else name, was.get(name) if isinstance(was, Mapping) else None, value
            )
    elif isinstance(now, Sequence) and not isinstance(now, str):
        for number, value in enumerate(now):
            there = isinstance(was, Sequence) and number < len(was)
            yield from _leaves(f"{key}[{number}]", was[number] if there else None, value)
    else:
        yield key, was, now


def _put_in(row: Row, now: Mapping[str, Any]) -> Row:
    """now's keys over the row's; of channels, key by key, since one shot does not give them all."""
    merged = row | dict(now)
    if "channels" in now and row.get("channels"):
        merged["channels"] = [a | b for a, b in zip(row["channels"], now["channels"], strict=True)]
    return merged


def told(found: Mapping[str, Sequence[Again]]) -> list[str]:
    """What changed, a line each; what was not redone, by its reason."""
    every = [(run, one) for run, points in found.items() for one in points]
    lines = [f"analysed again by version {version()}:"]
    for by in (ALL_SHOTS, ONE_SHOT, THINNED):
        of_it = [one for _, one in every if one.by == by]
        if of_it:
            lines.append(f"  {len(of_it)} points from {by}: {sum(one.compared for one in of_it)} numbers and words")
    for reason in dict.fromkeys(one.reason for _, one in every if one.reason):
        names = [f"{run} {one.id}" for run, one in every if one.reason == reason]
        shown = ", ".join(names[:NAMED]) + (f" and {len(names) - NAMED} more" if len(names) > NAMED else "")
        lines.append(f"  {len(names)} points {NOT_REDONE} ({reason}): {shown}")
    changes = [(run, one.id, change) for run, one in every for change in one.changed]
    lines += [f"  {run} {point} {c.key}: {_said(c.was)} is now {_said(c.now)}" for run, point, c in changes[:SHOWN]]
    more = f" ({len(changes) - SHOWN} more in {CHANGES_NAME})" if len(changes) > SHOWN else ""
    return [*lines, f"{len(changes)} changed{more}"]


def results_again(results: Mapping[str, Any], found: Mapping[str, Sequence[Again]]) -> dict[str, Any]:
    """The night's results with what was redone put in; `reanalysed` says by which version."""
    runs = []
    for run in results["runs"]:
        redone = {one.id: one.row for one in found.get(run["id"], ())}
        points = [redone.get(row["id"], row) for row in run["points"]]
        runs.append(run | {"points": points, "reanalysed": {"version": version()}})
    return dict(results) | {"runs": runs}


def changes_text(found: Mapping[str, Sequence[Again]]) -> str:
    """JSON, sorted: per run and point how it was redone, what was compared, and what changed."""
    every = {
        run: [
            {"id": one.id, "by": one.by, "reason": one.reason, "compared": one.compared}
            | {"changed": [{"key": c.key, "was": c.was, "now": c.now} for c in one.changed]}
            for one in points
        ]
        for run, points in found.items()
    }
    return json.dumps({"format": 1, "version": version(), "runs": every}, indent=1, sort_keys=True) + "\n"


def _said(value: Any) -> str:
    return f"{value:.9g}" if isinstance(value, float) else str(value)
