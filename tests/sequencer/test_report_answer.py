"""What a first look comes to, in one sentence, and in which order findings are told. Both rules are this project's own;
which kind is a danger and which a control's position is common practice, no source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from sequencer.measurements.first_answer import HEALTHY, LEAVE_OFF, OPEN, REPAIR, answer, is_first_look
from sequencer.measurements.gravity import BECAUSE, OF_KIND, Gravity, cause_of, gravity, weighed
from sequencer.report.attention import concerns
from sequencer.report.batch import batch
from sequencer.report.pages import write_pages
from sequencer.report.tables import points_table
from tests.sequencer.ledger_rows import point
from tests.sequencer.report_html import read
from tests.sequencer.report_nights import run, write

SOURCES = Path(__file__).resolve().parents[2] / "sequencer"
CHECKS = ("first_power", "bench_check", "output_offset", "idle_current", "gain")
# Kind by kind, as a workshop would say it.
NOT_POWERED = {"do not power", "no drive"}
OF_THE_BENCH = {
    "not the unit expected", "wrong load", "channels crossed", "probe", "probe off", "supply sense", "supply lead",
    "supply current limit",
    "live terminal", "plus grounded", "minus grounded", "terminals joined", "outputs elsewhere",
}  # fmt: skip
NOTHING_TO_REPAIR = {
    "boost", "offset doubtful", "protection holds", "input ground", "contact or lead resistance", "load resistance",
    "load drift", "digitiser range", "clock", "input shell",
}  # fmt: skip


def look(*findings: dict[str, Any], **more: Any) -> dict[str, Any]:
    """A first look of which everything was measured: ids p001 to p005 without power, then two loads."""
    rows: list[dict[str, Any]] = [
        {"id": f"p{i:03d}", "measurement": name, "outcome": "measured", "load": "8R"}
        for i, name in enumerate(CHECKS, 1)
    ]
    bursts = [point(f"p{i:03d}", load=load) for i, load in ((6, "8R"), (7, "4R"))]
    return run(*more.pop("rows", [*rows, *bursts]), findings=list(findings), **more)


def found(kind: str, sentence: str = "something was seen", **more: Any) -> dict[str, Any]:
    return {"kind": kind, "sentence": sentence, "next_action": f"see to {kind}"} | more


def row(measurement: str, **more: Any) -> dict[str, Any]:
    return {"id": "p001", "measurement": measurement, "outcome": "measured"} | more


def kinds_in_the_sources() -> Iterator[str]:
    """Every kind that is written down where a finding is made."""
    for path in SOURCES.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", getattr(node.func, "attr", ""))
            given = [*node.args[:1]] if name == "Finding" else []
            given += [k.value for k in node.keywords if k.arg == "kind" and name in ("Finding", "replace")]
            yield from (one.value for one in given if isinstance(one, ast.Constant) and isinstance(one.value, str))


def test_every_kind_has_its_place() -> None:
    """No kind that some measurement raises is missing, and none in the table is raised by nothing."""
    raised = set(kinds_in_the_sources())
    assert len(raised) > 45
    assert raised <= set(OF_KIND)
    written = {
        node.value
        for path in (SOURCES / "measurements").glob("*.py")
        if path.name not in ("gravity.py", "first_answer.py")
        for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }
    assert set(OF_KIND) <= written
    assert set(BECAUSE) | {kind for causes in BECAUSE.values() for kind in causes} <= set(OF_KIND)


@pytest.mark.parametrize("kind", sorted(OF_KIND))
def test_each_kind_has_its_answer(kind: str) -> None:
    told = answer(look(found(kind, "the figure was 3.4", channel="B", point="p004")))
    if kind in NOT_POWERED:
        assert told == f"{LEAVE_OFF}: channel B: the figure was 3.4"
    elif kind in OF_THE_BENCH:
        assert told == f"{OPEN}channel B: the figure was 3.4"
    elif kind in NOTHING_TO_REPAIR:
        assert told == HEALTHY
    else:
        assert told == f"{REPAIR}channel B: the figure was 3.4"


def test_a_healthy_unit_is_healthy_enough_to_rate() -> None:
    assert answer(look()) == "healthy enough to rate"


def test_an_offset_too_large_to_drive_is_a_repair_and_no_danger() -> None:
    """The same kind, raised by what it was seen in: DC at an output, or amps without a signal."""
    assert answer(look(found("no drive", point="p003"))).startswith("repair first, because ")
    assert answer(look(found("no drive", point="p004"))).startswith("do not power")
    assert answer(look(found("no drive", point="p001"))).startswith("do not power")


@pytest.mark.parametrize(
    ("measurement", "cause", "begins"),
    [
        ("first_power", "unit", LEAVE_OFF),
        ("idle_current", "unit", LEAVE_OFF),  # a runaway
        ("output_offset", "unit", LEAVE_OFF),
        ("output_power", "unit", REPAIR),
        ("first_power", "bench", OPEN),
        ("output_power", "link", OPEN),
    ],
)
def test_a_trip_is_the_answer(measurement: str, cause: str, begins: str) -> None:
    trip = {"time": "t", "sentence": "supply current above its limit.", "cause": cause, "point": "p001"}
    rows = [row("first_power")] if measurement == "first_power" else [row(measurement), row("first_power", id="p000")]
    told = answer(run(*rows, trips=[trip], outcome="tripped"))
    assert told.startswith(begins)
    assert told.endswith("supply current above its limit")


def test_the_gravest_speaks() -> None:
    """Whatever the order: danger, a doubtful bench, a stage, a shape, a level, a trifle."""
    kinds = ["do not power", "wrong load", "weak rail", "crossover", "channel mismatch", "hum", "boost"]
    assert [gravity(k) for k in kinds] == sorted(gravity(k) for k in kinds)
    for first, second in pairwise(kinds[:-1]):
        both = [found(second, second), found(first, first)]
        for given in (both, both[::-1]):
            assert answer(look(*given)).endswith(first)


def test_what_was_not_measured_leaves_it_open() -> None:
    """Not measured, not there, ended by something else, without an end; a fault that was seen is told all the same."""
    whole = look()["points"]
    silent = [*whole[:6], whole[6] | {"outcome": "not_measured", "reason": "the load is hot", "channels": []}]
    assert answer(look(rows=silent)) == "not answered, because 4R, output power was not measured: the load is hot"
    assert answer(look(rows=whole[:5])) == "not answered, because nothing was measured of: output power"
    short = [*whole[:6], whole[6] | {"stopped_by": "time_budget"}]
    assert answer(look(rows=short)).endswith("4R, output power was not raised to its limit: ended by time budget")
    assert answer(look(outcome="unfinished", ended=None)) == "not answered, because the run has no end"
    assert answer(look(outcome="stopped")) == "not answered, because a person stopped it"
    assert answer(look(found("crossover"), rows=silent)).startswith(REPAIR)


def test_a_mains_unit_that_nobody_powered_is_not_answered() -> None:
    """It has no finding; every row says why it was not measured."""
    reason = "first power of a mains unit needs a person"
    rows = [one | {"outcome": "not_measured", "reason": reason, "channels": []} for one in look()["points"]]
    assert answer(look(rows=rows)) == f"not answered, because first power was not measured: {reason}"


def test_only_a_first_look_is_answered() -> None:
    """First power and bench check, at most bursts of 20 cycles at 1 kHz; a trip may have cut it short."""
    whole = look()["points"]
    assert is_first_look(look())
    assert is_first_look(look(rows=whole[:2]))
    assert not is_first_look(look(rows=whole[2:]))
    assert not is_first_look(look(rows=whole[:1]))
    trip = {"time": "t", "sentence": "s", "cause": "unit", "point": "p001"}
    assert is_first_look(look(rows=whole[:1], trips=[trip], outcome="tripped"))
    for more in (
        row("soak"), row("protection"), row("steady_efficiency"), point("p009", cycles=8),
        point("p009", frequency_hz=50.0), point("p009", steady=True, cycles=2000),
    ):  # fmt: skip
        assert not is_first_look(look(rows=[*whole, more])), more


def test_the_answer_stands_first_on_the_sheet_in_the_batch_and_last_on_the_terminal(tmp_path: Path) -> None:
    sick, sound = look(found("weak rail", "it falls by 30 %")), look() | {"id": "r02"}
    sound = sound | {"unit": {"serial": "B", "model": "M"}}
    text = read(write_pages(write(tmp_path / "one", sick)).read_text()).text
    judgement = text[text.index("Judgement") :]
    assert judgement.split("\n")[1].strip() == "Repair first, because it falls by 30 %."
    night = {"format": 1, "suspect": None, "runs": [sick, sound]}
    rows = batch(night, {"r01": "a", "r02": "b"}).units
    assert [unit.answer for unit in rows] == ["Repair first, because it falls by 30 %.", "Healthy enough to rate."]
    assert "Healthy enough to rate." in read(write_pages(write(tmp_path / "two", sick, sound)).read_text()).text
    assert points_table(night).rstrip().splitlines()[-2:] == [
        "Unit FPA-0117: repair first, because it falls by 30 %.",
        "Unit B: healthy enough to rate.",
    ]


# --- causes and what follows from them ------------------------------------------------------------


def test_what_follows_from_another_comes_after_it() -> None:
    """A dead zone about zero takes more from a small tone than from a large one: the level dependence is its trace."""
    level, zone = found("gain depends on level", channel="A"), found("crossover", channel="A")
    for given in ([level, zone], [zone, level]):
        assert [f["kind"] for _, _, f in weighed(given)] == ["crossover", "gain depends on level"]
    assert cause_of(level, [zone]) == "crossover"
    assert cause_of(level, [zone | {"channel": "B"}]) is None
    assert cause_of(level, [zone | {"channel": None}]) == "crossover"
    assert cause_of(level, []) is None


def test_a_grave_kind_that_only_follows_stays_behind_its_cause() -> None:
    """Distorted at every level is grave by itself; where crossover explains it, crossover is what to mend."""
    every, zone = found("distorted at every level"), found("crossover")
    assert gravity("distorted at every level") < gravity("crossover")
    assert [f["kind"] for _, _, f in weighed([every, zone])] == ["crossover", "distorted at every level"]


def test_an_unknown_kind_is_not_overlooked() -> None:
    assert gravity("of a later version") < Gravity.NOTED
    assert answer(look(found("of a later version"))).startswith(REPAIR)


def test_faults_stand_in_the_order_in_which_they_matter_on_the_page() -> None:
    """A bias too low with the crossover it makes, and a loose device: as found, the consequence came first."""
    given = look(
        found("gain depends on level", "gain falls", channel="A"),
        found("gain depends on level", "gain falls", channel="B"),
        found("idle current low", "0.38 A"),
        found("crossover", "72 mV are missing", channel="A"),
        found("mounting", "1.34 K/W", channel="B"),
    )
    told = [one.sentence for one in concerns(given)]
    assert told == [
        "0.38 A.",
        "Channel B: 1.34 K/W.",
        "Channel A: 72 mV are missing; see: idle current low.",
        "Channel A: gain falls; channel B likewise; see: crossover.",
    ]
    (unit,) = batch({"runs": [given], "suspect": None}, {"r01": "a"}).units
    assert unit.actions == ("See to idle current low.", "See to mounting.", "See to crossover.")


def test_dangers_come_before_faults_among_units() -> None:
    """Two units with one finding each: the one that must not be powered first, whatever its serial."""
    mild = look(found("hum"), serial="A", run_id="r01")
    bad = look(found("do not power"), serial="Z", run_id="r02")
    trip = {"time": "t", "sentence": "too warm", "cause": "unit", "point": "p006", "confirmed_safe": True}
    hot = look(trips=[trip], outcome="tripped", serial="B", run_id="r03")
    page = batch({"runs": [mild, hot, bad], "suspect": None}, {"r01": "a", "r02": "b", "r03": "c"})
    assert [unit.serial for unit in page.units] == ["Z", "B", "A"]
    assert [unit.first for unit in page.units] == ["", "Trip at p006: too warm.", ""], "told once, by the answer"
