"""What is left of a run that another process left, what is done once more, and what its rows still say of the unit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, cast

import pytest

from sequencer.ledger.declared import Declared, DeclaredNight, DeclaredRun, read_declared, write_declared
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_job import GainProof
from sequencer.measurements.power_memory import learned_of, proof_of, remembered
from sequencer.measurements.predict import Learned
from sequencer.measurements.values import Values
from sequencer.night.resume import hands_done, last_trip, left, rebuild, strangers, to_redo
from sequencer.night.setup import NightPlan, Resumed, UnitRun
from sequencer.night.shelf import Shelf
from sequencer.night.unit_state import UnitState
from sequencer.night.values import value_row
from sequencer.night.wiring import Wiring
from sequencer.plan.expand import expand
from sequencer.plan.load import load_bench, load_method, load_unit
from sequencer.plan.models import Plan
from sequencer.plan.points import AnyPoint, ValuePoint

BENCH = load_bench("workshop").model
UNIT = load_unit("ferry_pa_60").model


def run_of(*stages: dict[str, Any]) -> UnitRun:
    """A run of these stages, in 8R."""
    whole = [{"name": f"stage {n}", "loads": ("8R",)} | stage for n, stage in enumerate(stages)]
    plan = Plan.model_validate({"format": 1, "name": "some", "stage": tuple(whole)})
    return UnitRun("r1", UNIT, BENCH.bay[0], expand(plan, UNIT, BENCH))


def stage(measurement: str, **more: Any) -> dict[str, Any]:
    return {"measurement": measurement} | more


def row(point: AnyPoint, **more: Any) -> dict[str, Any]:
    """As the ledger has it, with what is asked of it here."""
    return {
        "id": point.id,
        "measurement": point.measurement,
        "load": point.load,
        "outcome": "measured",
        "stopped_by": None,
        "shots": 5,
        "channels": [],
        "frequency_hz": 1000.0,
        "cycles": getattr(point, "cycles", None),
        "channels_driven": list(point.channels),
        "supply_nominal_v": point.supply_v,
    } | more


def kept(run: UnitRun, count: int, **more: Any) -> dict[str, Any]:
    """The first so many points have rows."""
    return {"points": [row(point) for point in run.points[:count]], "trips": [], "findings": [], "ended": None} | more


POWER = stage("output_power", drives=("8 cycles",), stop_limit={"thd_pct": (1.0, 0.5)})
PROVED = (stage("first_power"), stage("bench_check"))


def test_what_has_a_row_is_done_and_everything_else_is_left() -> None:
    run = run_of(*PROVED, POWER)
    for count in range(len(run.points) + 1):
        assert left(run, kept(run, count)) == run.points[count:]
    assert left(run, None) == run.points
    without_first = kept(run, len(run.points))
    del without_first["points"][2]  # of two points that are searched together the second was kept
    assert left(run, without_first) == (run.points[2],)


def test_proofs_come_again_before_anything_else_where_a_point_is_left() -> None:
    run = run_of(*PROVED, stage("idle_current"), POWER)
    assert to_redo(run, None) == ()
    assert to_redo(run, kept(run, 0)) == ()
    assert to_redo(run, kept(run, 1)) == run.points[:1]
    assert to_redo(run, kept(run, 4)) == run.points[:2]
    assert to_redo(run, kept(run, len(run.points))) == ()


@pytest.mark.parametrize(
    ("stages", "again"),
    [
        ([stage("precondition"), POWER], ["precondition"]),
        ([stage("precondition"), stage("soak"), POWER], ["soak"]),
        ([stage("idle_current", wait="warm"), POWER], ["idle_current"]),
        ([stage("soak"), stage("idle_current", wait="warm"), POWER], ["soak"]),
        ([stage("soak"), stage("idle_current", wait="cooled"), POWER], []),
        ([stage("soak"), stage("idle_current", wait="after drive"), POWER], ["soak"]),
        ([stage("precondition"), stage("soak")], []),  # the soak that is left heats by itself
        ([stage("idle_current"), POWER], []),
    ],
)
def test_the_last_heat_comes_again_unless_the_unit_was_left_to_cool(
    stages: list[dict[str, Any]], again: list[str]
) -> None:
    """All but the last stage have their rows. What a thermal state is: the plan's own stages, in running order."""
    run = run_of(*stages)
    done = len([point for point in run.points if point.stage != f"stage {len(stages) - 1}"])
    assert [point.measurement for point in to_redo(run, kept(run, done))] == again


def test_what_a_search_leaves_comes_back_from_its_row_to_the_last_bit() -> None:
    """JSON keeps a finite double exactly (RFC 8259 with 17 digits)."""
    proof = GainProof(0.005 / 3.0, {"A": 26.1 / 0.7, "B": 25.9}, 1, 24.0 / 7.0)
    learned = Learned(7.98, 1000.0 / 3.0, 8, 24.0, -1.0 / 3.0, soft=False)
    outcome = Outcome(cast(Any, None), proof, learned=learned)
    written = json.loads(json.dumps(remembered(outcome)))
    assert proof_of(written) == proof
    assert learned_of([written, written]) == [learned]
    nothing = json.loads(json.dumps(remembered(Outcome(cast(Any, None), None))))
    assert (proof_of(nothing), learned_of([nothing])) == (None, [])


def state_of(run: UnitRun) -> UnitState:
    return UnitState(run, BENCH, cast(Wiring, None))


def test_what_later_points_inherit() -> None:
    run = run_of(stage("output_offset"), POWER)
    offset, first, second = run.points
    proof = {"level_vrms": 0.005, "gain_db": {"A": 26.0}, "shots": 1, "rail_v": None}
    ended = {"stopped_by": "protection", "channels": [{"repeat_power_w": [50.0, 50.1, 50.2]}], "gain_proof": proof}
    found = {"kind": "power low", "channel": "A", "point": first.id}
    rows = [row(offset, no_drive="not driven: 0.2 V at A"), row(first, **ended)]
    state = state_of(run)
    rebuild(state, {"points": rows, "findings": [found]})
    assert state.protected == {"8R": first.id}
    assert state.repeats == [[50.0, 50.1, 50.2]]
    assert state.told == {("power low", "A")}
    assert state.proofs == {(1000.0, "8R", first.channels, first.supply_v): GainProof(0.005, {"A": 26.0}, 1, None)}
    assert state.why_not(second, driven=True) == ("not driven: 0.2 V at A", None)
    assert [one["id"] for one in state.context(first).earlier] == [offset.id]
    gate = {"kind": "gate", "channel": "A", "point": first.id}  # what looked like a protection was a gate
    other = state_of(run)
    rebuild(other, {"points": rows[1:], "findings": [gate]})
    assert other.why_not(second, driven=True) is None


def test_what_keeps_a_unit_from_being_driven_or_powered_stands_in_its_row() -> None:
    point = cast(ValuePoint, run_of(stage("output_offset")).points[0])
    assert value_row(point, Values(no_power="not powered: x"))["no_power"] == "not powered: x"
    assert "no_power" not in value_row(point, Values())


def test_a_trip_whose_end_was_not_kept() -> None:
    """Which trips end a run: as a plan's `after_trip` has it; a bench's or a link's ends the night."""
    for after, ends in (("next unit", ("hot", False)), ("stop", ("hot", True)), ("cool and retry once", None)):
        run = run_of(POWER | {"after_trip": after})
        trip = {"sentence": "hot", "cause": "unit", "point": "p001"}
        assert last_trip(run, kept(run, 1, trips=[trip])) == ends
    run = run_of(POWER)
    assert last_trip(run, kept(run, 1, trips=[{"sentence": "gone", "cause": "link", "point": None}])) == ("gone", True)
    assert last_trip(run, kept(run, 1)) is None


def test_a_point_that_may_be_tried_once_more_has_its_row_at_the_second_trip() -> None:
    for after, told in (("next unit", [True]), ("stop", [True]), ("cool and retry once", [False, True])):
        run = run_of(POWER | {"after_trip": after})
        state = state_of(run)
        assert [state.is_last_try(run.points[0]) for _ in told] == told


def test_a_load_that_a_person_had_connected_is_taken_to_be_there() -> None:
    load = BENCH.load["8R"].model_copy(update={"by_hand": True})
    bench = BENCH.model_copy(update={"load": dict(BENCH.load) | {"8R": load}})
    run = run_of(stage("gain"), stage("gain", loads=("4R",)))
    for count, there in ((0, None), (1, "8R"), (2, None)):
        resumed = Resumed({run.id: kept(run, count)}, 0, "")
        night = NightPlan(cast(Plan, None), bench, (run,), 1, "", "", "", {}, resumed=resumed)
        assert hands_done(night).load == there


def test_rows_that_today_are_no_points_are_named() -> None:
    run = run_of(*PROVED, POWER)
    other = kept(run, 3)
    assert list(strangers(run, other)) == []
    other["points"][1]["measurement"] = "noise"
    other["points"][2]["cycles"] = 20
    assert list(strangers(run, other)) == [run.points[1].id, run.points[2].id]


def test_talks_are_kept_beside_those_of_the_process_before(tmp_path: Path) -> None:
    """A talk that a death broke off stays as it is; `report --reanalyse` reads the last one."""
    run = run_of(stage("gain"))
    folder = tmp_path / "shots" / f"{run.id}+{run.points[0].id}"
    folder.mkdir(parents=True)
    (folder / "01-gain.jsonl").write_text('{"asked": "Fi')
    written: list[Path] = []

    class Writes:
        def soon(self, function: Any, talk: Path, *more: Any) -> None:
            written.append(talk)

    Shelf(tmp_path, cast(Any, Writes())).begin(run, run.points[0])(cast(Any, None), None)
    assert [talk.name for talk in written] == ["02-gain.jsonl"]


def test_what_the_night_was_told_comes_back_whole(tmp_path: Path) -> None:
    """Equal to what was written: plan, bench, unit and a method in full, the order of the runs, which JSON with sorted
    keys would lose."""
    plan = Plan.model_validate({"format": 1, "name": "some", "stage": ({"name": "g", "measurement": "gain"},)})
    night = DeclaredNight(
        order=("r9", "r1"),
        seed=7,
        simulated=False,
        bench_file="workshop",
        plan_sha256="0" * 64,
        bench_sha256="1" * 64,
        version="1",
        method=load_method("ftc_like").model,
    )
    runs = {name: DeclaredRun(unit=UNIT, bay=BENCH.bay[0].name) for name in night.order}
    told = Declared(plan=plan, bench=BENCH, run=runs, night=night)
    write_declared(tmp_path, told)
    assert read_declared(tmp_path) == told
    first = (tmp_path / "declared.json").read_bytes()
    write_declared(tmp_path, read_declared(tmp_path))
    assert (tmp_path / "declared.json").read_bytes() == first
