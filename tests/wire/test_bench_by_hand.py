"""A bench with no relay bank and no remote supply, over real sockets: a person is played, and the world says what was
live when hands were near it.

The truth here: the world's own journal of power, parallel ohms by arithmetic, and the night's own rules (asked only
while off, nothing driven into a load that is another one, nothing told as safe that was not seen).
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, Rig, do, dry_run
from sequencer.measurements.requests import Answer, Ask, Deed
from sequencer.night.asking import nobody_there
from sequencer.report.pages import write_pages
from sequencer.whole_night import Done
from simulators.bench import SimulatedBench
from simulators.world.truth_files import SHIPPED, load_bench_truth

BENCH = Path(__file__).resolve().parents[2] / "sequences" / "benches" / "by_hand.toml"
BURSTS = """format = 1
name = "bursts"
rest = "quick"
[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
confirm = 1
"""


@dataclass
class Person:
    """Does what is asked, and says so; `instead` does something else. seen: question -> was the unit live."""

    instead: Callable[[SimulatedBench, Deed], Deed | None] | None = None
    bench: list[SimulatedBench] = field(default_factory=list)
    seen: list[tuple[str, bool]] = field(default_factory=list)

    async def __call__(self, ask: Ask) -> Answer:
        bench = self.bench[0]
        now_ns = bench.now_ns()
        self.seen.append((ask.question, bench.world.is_live(now_ns)))
        if ask.number:
            return Answer(f"{bench.world.supply_means(now_ns - 50_000_000, now_ns).amps:.4g}", by_a_person=True)
        deed = ask.deed if self.instead is None or ask.deed is None else self.instead(bench, ask.deed)
        if deed is not None:
            do(bench, deed)
        return Answer(ask.choices[0], by_a_person=True)


def night(folder: Path, person: Any, plan: str, bench: str = str(BENCH)) -> Done:
    watch = getattr(person, "bench", []).append
    asked = DryRun(plan, ("mv_0131",), bench, folder / "night", rig=Rig(watch=watch), asking=person)
    return dry_run(asked, lambda line: None)


def bursts(folder: Path, person: Any, bench: str = str(BENCH)) -> Done:
    (folder / "plan.toml").write_text(BURSTS)
    return night(folder, person, str(folder / "plan.toml"), bench)


def points_of(done: Done) -> list[dict[str, Any]]:
    points: list[dict[str, Any]] = done.results["runs"][0]["points"]
    return points


def test_an_overhauled_unit_is_rated_and_what_was_not_promised_is_on_its_sheet(tmp_path: Path) -> None:
    person = Person()
    done = night(tmp_path, person, "rate_after_repair")
    assert done.exit_code == 0, done.text
    assert "made safe, confirmed" in done.text
    run, points = done.results["runs"][0], points_of(done)
    missing = {p["measurement"] for p in points if p["outcome"] != "measured"}
    assert (run["outcome"], missing) == ("finished", {"steady_efficiency"})
    near = [live for question, live in person.seen if "the load" in question]
    assert near, "loads were changed"
    assert not any(near), "hands near an output that could be live"
    assert not person.bench[0].world.is_live(person.bench[0].now_ns())
    _loads_are_proved(points)
    powers = {(p["load"], p["frequency_hz"], p["cycles"]): p for p in points if p["measurement"] == "output_power"}
    rails = [p["rails"][0] for p in powers.values()]
    assert {(r["amps"], r["at_supply_v"], r["seen"]) for r in rails} == {(None, None, "burst trace")}
    typed = [v for p in points for v in p.get("values") or () if v["name"] == "idle current, cooled"]
    assert 0.8 <= typed[0]["value"] <= 1.45, "the window of this unit's file"
    sheet = html.unescape(re.sub(r"<[^>]+>", "", write_pages(tmp_path / "night").read_text()))
    assert "Not promised" in sheet
    for one in run["not_promised"]:
        assert one[1:] in sheet


def _loads_are_proved(points: list[dict[str, Any]]) -> None:
    """Siemens add: 1 / (1/A + 1/B), of the simulated truth. The bench's file allows 0.5 % for each probe, 1 % for each
    range and 0.5 % for the shunt."""
    true = load_bench_truth(SHIPPED / "bench-ferry.toml").load_ohm
    driven = [p for p in points if p["measurement"] in ("output_power", "soak", "protection", "gain")]
    assert all(p.get("load_proof") for p in driven)
    for point in driven:
        seen = float(re.findall(r"together ([0-9.]+) ohm", point["load_proof"])[0])
        names = re.findall(r": ([AB](?: and B)?) together", point["load_proof"])[0].split(" and ")
        expected = 1.0 / sum(1.0 / true[point["load"]][name] for name in names)
        assert seen == pytest.approx(expected, rel=0.02)
        assert set(point["channels_driven"]) <= set(names)


def test_nobody_answers_and_nothing_is_ever_powered(tmp_path: Path) -> None:
    for person in (nobody_there, Silent()):
        folder = tmp_path / type(person).__name__
        folder.mkdir()
        done = bursts(folder, person)
        assert [p["outcome"] for p in points_of(done)] == ["not_measured"]
        assert "a person must connect the load 8R" in points_of(done)[0]["reason"]
        assert done.exit_code == 0, "the rail was seen to be down all along"


def test_a_person_is_played_from_a_file_line_by_line(tmp_path: Path) -> None:
    """A word that is no answer is asked again; after the last line nobody answers, and the end asks for the supply."""
    (tmp_path / "plan.toml").write_text(BURSTS)
    lines: list[str] = []
    asked = DryRun(
        str(tmp_path / "plan.toml"), ("mv_0131",), str(BENCH), tmp_path / "night", answers=("maybe", "*", "done")
    )
    done = dry_run(asked, lines.append)
    assert [p["outcome"] for p in points_of(done)] == ["measured"]
    said = [re.findall(r"\(([^()]*)\)$", line)[-1] for line in lines if "say so" in line]
    assert said[:3] == ["maybe: one of: done, no", "done", "done"]
    assert set(said[3:]) == {"nobody answers"}
    assert done.exit_code == 3, "nobody switched it off"


class Silent(Person):
    async def __call__(self, ask: Ask) -> Answer:
        self.seen.append((ask.question, self.bench[0].world.is_live(self.bench[0].now_ns())))
        return Answer(ask.otherwise, by_a_person=False)


def test_another_load_than_was_asked_for_is_not_driven(tmp_path: Path) -> None:
    """4 ohm where 8 are asked for: half the ohms by arithmetic."""

    def four(bench: SimulatedBench, deed: Deed) -> Deed:
        return Deed(deed.what, "4R", deed.channels, deed.volts, deed.limit_a, deed.on) if deed.load else deed

    done = bursts(tmp_path, Person(four))
    (point,) = points_of(done)
    assert point["outcome"] == "not_measured"
    assert point["shots"] == 0
    off_pct = float(re.findall(r"([+-][0-9.]+) %", point["reason"])[0])
    assert off_pct == pytest.approx(-50.0, abs=2.0)
    assert point["reason"].startswith("not driven: the load 8R was not proved")


def test_a_supply_that_was_only_said_to_be_off_is_never_told_as_safe(tmp_path: Path) -> None:
    def leaves_it_on(bench: SimulatedBench, deed: Deed) -> Deed | None:
        return deed if deed.what != "supply" or deed.on else None

    done = bursts(tmp_path, Person(leaves_it_on))
    assert done.exit_code == 3
    assert "NOT CONFIRMED SAFE" in done.text
    assert "rail down: not confirmed" in done.text


def test_without_an_input_at_the_rail_a_word_is_no_proof(tmp_path: Path) -> None:
    bench = BENCH.read_text()
    cut = bench[bench.index("[input.ch3]") : bench.index("[input.ch4]")]
    bench = bench.replace(cut, "").replace(re.findall(r"ch3 = .*\n", bench)[0], "")
    (tmp_path / "bench.toml").write_text(bench)
    person = Person()
    done = bursts(tmp_path, person, str(tmp_path / "bench.toml"))
    assert [p["outcome"] for p in points_of(done)] == ["measured"]
    assert done.exit_code == 3
    assert "nothing sees it" in done.text
    assert any("never confirmed safe" in one for one in done.results["runs"][0]["not_promised"])
    assert not person.bench[0].world.is_live(person.bench[0].now_ns()), "it was off all the same"


WITH_CLAMP = """format = 1
name = "with_clamp"
rest = "quick"
[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["steady 1 s"]
confirm = 1
[[stage]]
name = "efficiency"
measurement = "steady_efficiency"
loads = ["8R"]
options = { power_parts = [1.0] }
[[stage]]
name = "idle"
measurement = "idle_current"
"""
CLAMP = """[input.ch4]
v_per_a = 0.05
gain_uncertainty_pct = 0.5
zero_uncertainty_a = 0.02
bandwidth_hz = 20000.0
"""


def test_a_clamp_on_the_supply_lead_sees_what_no_remote_meter_reads(tmp_path: Path) -> None:
    """Its zero, 0.4 A off, is planted; the world's own mean current is the truth, read when the supply is about to be
    switched off. A class AB stage takes at least what ideal class B takes: pi/4 (power over two square waves of half a
    sine, by any textbook)."""
    bench = BENCH.read_text().replace("shunt in the load return", "clamp on the supply lead")
    bench = bench.replace(bench[bench.index("[input.ch4]") : bench.index("[[range]]")], CLAMP)
    (tmp_path / "bench.toml").write_text(bench)
    (tmp_path / "plan.toml").write_text(WITH_CLAMP)
    idle_a: list[float] = []

    def reads(bench: SimulatedBench, deed: Deed) -> Deed:
        now_ns = bench.now_ns()
        if deed.what == "load on":
            bench.world.bench = replace(bench.world.bench, supply_clamp_zero_a=0.4)
        if deed.what == "supply" and not deed.on:
            idle_a.append(bench.world.supply_means(now_ns - 1_000_000_000, now_ns).amps)
        return deed

    person = Person(reads)
    done = night(tmp_path, person, str(tmp_path / "plan.toml"), str(tmp_path / "bench.toml"))
    assert done.exit_code == 0, done.text
    power, efficiency, idle = points_of(done)
    seen = idle["values"][0]
    assert seen["value"] == pytest.approx(idle_a[-1], abs=0.04), "half-widths: 1.5 % of 1.1 A, and 0.02 A"
    assert seen["expanded_uncertainty"] == pytest.approx(1.65 * (0.015 * seen["value"] + 0.02) / 3**0.5, rel=0.05)
    assert (power["rails"][0]["seen"], power["rails"][0]["at_supply_v"]) == ("burst trace", None)
    assert 40.0 < power["efficiency_pct"] < 78.5
    assert efficiency["values"][0]["value"] == pytest.approx(power["efficiency_pct"], rel=0.03)
    assert "amps by the clamp on the supply lead" in efficiency["efficiency_points"][0]["uncertainty_parts_pct"]
    assert power["load_proof"].startswith("by a person's own ohmmeter")
