"""What a person does by hand, over real sockets: the world says what hung on the outputs, and whether the unit was off.

A night's own rules (asked only while off, left off where nobody answers, no point lost) are the truth here; the powers
are held against the declared ohms (P = U^2 / R) by other tests.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, Rig, do, dry_run
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.asking import nobody_there
from simulators.bench import SimulatedBench

SHIPPED = Path(__file__).resolve().parents[2] / "sequences"
PLAN = """format = 1
name = "by_hand"
rest = "quick"
{stages}
"""
STAGE = """[[stage]]
name = "{name}"
measurement = "{measurement}"
{more}
"""


def bursts(name: str, load: str, more: str = "") -> str:
    keys = f'loads = ["{load}"]\ndrives = ["8 cycles"]\nconfirm = 1\n{more}'
    return STAGE.format(name=name, measurement="output_power", more=keys)


@dataclass
class Person:
    """Says `answers` in order, then nothing more ("no"); does what it says done. seen: question -> was the unit on."""

    answers: list[str]
    bench: list[SimulatedBench] = field(default_factory=list)
    seen: list[tuple[str, bool]] = field(default_factory=list)
    control: list[str] = field(default_factory=list)

    async def __call__(self, ask: Ask) -> Answer:
        self.seen.append((ask.question, self.bench[0].world.is_live(self.bench[0].now_ns())))
        if not self.answers:
            return Answer(ask.otherwise, by_a_person=False)
        said = self.answers.pop(0)
        if said == "done" and ask.deed is not None:
            do(self.bench[0], ask.deed)
        return Answer(said, by_a_person=True)


def night(folder: Path, stages: str, person: Any) -> list[dict[str, Any]]:
    bench = (SHIPPED / "benches" / "workshop.toml").read_text()
    bench = bench.replace('close = { A = ["103"], B = ["104"] }', "by_hand = true")
    (folder / "plan.toml").write_text(PLAN.format(stages=stages))
    (folder / "bench.toml").write_text(bench)
    watch = getattr(person, "bench", []).append
    asked = DryRun(
        plan=str(folder / "plan.toml"),
        units=("ferry_pa_60",),
        bench=str(folder / "bench.toml"),
        out=folder / "night",
        rig=Rig(watch=watch),
        asking=person,
    )
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == 0, done.text
    points: list[dict[str, Any]] = done.results["runs"][0]["points"]
    return points


def test_a_load_by_hand_is_connected_and_taken_off_while_the_unit_is_off(tmp_path: Path) -> None:
    person = Person(["done", "done"])
    stages = bursts("eight", "8R") + bursts("four", "4R") + bursts("eight again", "8R")
    points = night(tmp_path, stages, person)
    assert [one["outcome"] for one in points] == ["measured"] * 3
    assert [on for _, on in person.seen] == [False, False], "hands near an output that could be live"
    assert "connect the load 4R (4.02 ohm on A, 3.99 ohm on B)" in person.seen[0][0]
    assert "take the load 4R off the outputs" in person.seen[1][0]
    eight, four, again = (one["channels"][0]["power_w"] for one in points)
    assert four == pytest.approx(2.0 * eight, rel=0.2), "a stiff rail gives nearly twice into half the ohms"
    assert again == pytest.approx(eight, rel=0.02)


def test_nobody_answers_and_the_night_goes_on_with_what_needs_nobody(tmp_path: Path) -> None:
    person = Person([])
    points = night(tmp_path, bursts("four", "4R") + bursts("eight", "8R"), person)
    assert [one["outcome"] for one in points] == ["not_measured", "measured"]
    assert points[0]["reason"].startswith("a person must connect the load 4R")
    alone = night(_new(tmp_path), bursts("eight", "8R"), nobody_there)
    powers = [one["channels"][0]["power_w"] for one in (points[1], alone[0])]
    assert powers[0] == pytest.approx(powers[1], rel=0.02), "switched on again as it should be"


def test_a_load_that_nobody_took_off_is_driven_no_further(tmp_path: Path) -> None:
    person = Person(["done"])
    points = night(tmp_path, bursts("four", "4R") + bursts("eight", "8R") + bursts("four again", "4R"), person)
    assert [one["outcome"] for one in points] == ["measured", "not_measured", "measured"]
    assert points[1]["reason"].startswith("a person must take the load 4R off")


def test_a_control_is_set_once_for_a_stage_and_with_nobody_there_it_is_not_measured(tmp_path: Path) -> None:
    more = 'by_hand = "bass and treble to the middle"\nchannels = "each"'
    person = Person(["done"])
    points = night(tmp_path, bursts("flat", "8R", more), person)
    assert [one["outcome"] for one in points] == ["measured", "measured"]
    assert len(person.seen) == 1
    assert "bass and treble to the middle" in person.seen[0][0]
    alone = night(_new(tmp_path), bursts("flat", "8R", more), nobody_there)
    assert {one["outcome"] for one in alone} == {"not_measured"}


def test_a_bench_check_leaves_out_what_no_contact_switches(tmp_path: Path) -> None:
    points = night(tmp_path, STAGE.format(name="check", measurement="bench_check", more=""), nobody_there)
    assert not [value for value in points[0]["values"] if "4R" in value["name"]]
    assert points[0]["outcome"] == "measured"


def _new(folder: Path) -> Path:
    new = folder / "alone"
    new.mkdir()
    return new
