"""A run that another process left unfinished: what is left of it, what is done once more, what its rows still say.

Pure. Nothing is measured twice: a point whose row was kept stays, alone or beside others of its group; those of a
group that were not are searched as a group of their own.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.measurements.by_hand import HandsDone
from sequencer.measurements.power_memory import learned_of, proof_of
from sequencer.measurements.power_rows import repeats
from sequencer.measurements.values import Values
from sequencer.night.setup import NightPlan, UnitRun
from sequencer.night.unit_state import RETRIED, UnitState
from sequencer.night.values import value_row
from sequencer.plan.points import AnyPoint, Point, ValuePoint

Row = Mapping[str, Any]

PROOFS = ("first_power", "bench_check")  # done once more before anything else
HEATS = ("precondition", "soak")


def left(run: UnitRun, kept: Row | None) -> tuple[AnyPoint, ...]:
    """Points without a row, in running order; all of them where the run has not begun."""
    done = {row["id"] for row in kept["points"]} if kept else set()
    return tuple(point for point in run.points if point.id not in done)


def to_redo(run: UnitRun, kept: Row | None) -> tuple[ValuePoint, ...]:
    """Kept points that are done once more, in running order: power and bench proved, and the last thing that gave the
    unit the thermal state in which it was left. Nothing where no point is left."""
    todo = left(run, kept)
    if kept is None or not todo:
        return ()
    before = [point for point in run.points if point not in todo and isinstance(point, ValuePoint)]
    proofs = [point for point in before if point.measurement in PROOFS]
    heat = None if todo[0].measurement in HEATS else _last_heat(before)
    return (*proofs, *([heat] if heat else []))


def _last_heat(before: Sequence[ValuePoint]) -> ValuePoint | None:
    """None where the unit was left to cool afterwards."""
    found: ValuePoint | None = None
    for point in before:
        if point.measurement in HEATS or (point.wait == "warm" and found is None):
            found = point
        elif point.wait == "cooled":
            found = None
    return found


def rebuild(state: UnitState, kept: Row) -> None:
    """What later points inherit. When the unit was last driven is not known by this process's clock."""
    rows: list[dict[str, Any]] = [dict(row) for row in kept["points"]]
    searched = [row for row in rows if row["measurement"] == "output_power"]
    state.is_resumed = True
    state.rows += rows
    state.learned += learned_of(searched)
    state.told |= {(one["kind"], one["channel"]) for one in kept["findings"]}
    gates = {one["point"] for one in kept["findings"] if one["kind"] == "gate"}
    for row in searched:
        state.repeats += repeats(row)
        if (proof := proof_of(row)) is not None:
            state.proofs[(row["frequency_hz"], row["load"], tuple(row["channels_driven"]), row["supply_nominal_v"])] = (
                proof
            )
        if row["stopped_by"] == "protection" and row["shots"] and row["id"] not in gates:
            state.protected.setdefault(row["load"], row["id"])
    for row in rows:
        state.no_drive = state.no_drive or row.get("no_drive")
        state.no_power = state.no_power or row.get("no_power")


def hands_done(night: NightPlan) -> HandsDone:
    """What a person had done, as far as rows say: the last load by hand that was measured with is still on."""
    done, resumed = HandsDone(), night.resumed
    for run in night.runs if resumed else ():
        measured = {row["id"] for row in _rows(resumed, run) if row["outcome"] == "measured"}
        for point in (one for one in run.points if one.id in measured):
            by_hand = night.bench.load[point.load].by_hand
            done.load, done.channels = (point.load, point.channels) if by_hand else (None, ())
            if point.by_hand:
                done.controls.add((run.unit.serial, point.by_hand))
    return done


def _rows(resumed: Any, run: UnitRun) -> Sequence[Row]:
    return resumed.runs[run.id]["points"] if run.id in resumed.runs else ()


def last_trip(run: UnitRun, kept: Row) -> tuple[str, bool] | None:
    """The sentence of the trip that ended the run, where only its end was not kept any more; and whether the night was
    to end with it. None where the point was to be tried again."""
    if not kept["trips"]:
        return None
    trip = kept["trips"][-1]
    point = next((one for one in run.points if one.id == trip["point"]), None)
    if point is not None and trip["cause"] == "unit":
        return None if point.after_trip == RETRIED else (trip["sentence"], point.after_trip == "stop")
    return trip["sentence"], True


def strangers(run: UnitRun, kept: Row) -> Iterator[str]:
    """Rows that are no point of this run as it is built today."""
    points = {point.id: point for point in run.points}
    for row in kept["points"]:
        point = points.get(row["id"])
        same = point is not None and (point.measurement, point.load) == (row["measurement"], row["load"])
        if not same or (isinstance(point, Point) and point.cycles != row["cycles"]):
            yield str(row["id"])


def redone_row(point: ValuePoint, found: Values) -> dict[str, Any]:
    """As the run's `resumed` holds it."""
    row = value_row(point, found)
    return {"point": point.id} | {key: row[key] for key in ("measurement", "outcome", "reason", "values")}
