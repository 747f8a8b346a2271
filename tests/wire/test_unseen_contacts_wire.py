"""A load switch whose relays can't be read back, over real sockets: nothing asks it, loads are proved by volts over
amps alone, and what could not be seen is never told as seen.

The truth here: the simulated instruments' own log (what was asked and told), what the same bench gives when its relays
are read back, and contacts that open in the world behind everybody's back.
"""

from __future__ import annotations

import json
import re
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

import drivers
from sequencer.cli import main
from sequencer.compose import DryRun, Rig, dry_run
from sequencer.errors import InputRefused
from sequencer.plan.load import load_bench
from sequencer.plan.models import Bench
from sequencer.report.pages import write_pages
from sequencer.roles import fitted_dialects
from sequencer.whole_night import Done
from simulators.bench import SimulatedBench
from tests.wire.bench_flaws import Flaw
from tests.wire.test_proving import proved

DIALECT = (Path(drivers.__file__).parent / "dialects" / "load-switch-a.toml").read_text(encoding="utf-8")
BENCH = (resources.files("sequences") / "benches" / "ferry_workshop.toml").read_text(encoding="utf-8")
PLAN = """format = 1
name = "blind"
rest = "quick"

[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R", "4R"]
drives = ["20 cycles"]
confirm = 1

[[stage]]
name = "controls"
measurement = "gain"
loads = ["8R"]
frequencies_hz = [1000.0]
"""


def mute_dialect(folder: Path) -> None:
    """The shipped one without the question for its relays."""
    text, count = re.subn(r"\[each\.states\]\n(?:.+\n)+", "", DIALECT)
    assert count == 1
    text = text.replace('role = "load_switch"\n', 'role = "load_switch"\nabsent = ["states"]\n')
    (folder / "mute.dialect.toml").write_text(text, encoding="utf-8")


def bench_of(folder: Path, *, mute: bool = True, said: bool = True, shunt: bool = True) -> str:
    mute_dialect(folder)
    text = BENCH.replace('"load-switch-a"', '"mute.dialect.toml"') if mute else BENCH
    text = text.replace("[role.load_switch]", "[role.load_switch]\nreads_back = false") if said else text
    if not shunt:
        text = re.sub(r"(?m)^ch4 = .*\n", "", text)
        text = re.sub(r"\[input\.ch4\].*\n(?:[^\[\n].*\n)*", "", text)
    path = folder / "deck.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


def night(folder: Path, bench: str, **rig: Any) -> tuple[Done, list[str]]:
    """And all that the load switch was sent."""
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    sent: list[str] = []
    also = rig.pop("log", lambda *_: None)

    def log(now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        if front == "load-switch-a":
            sent.append(message)
        also(now_ns, front, message, reply)

    asked = DryRun(
        str(folder / "plan.toml"), ("mv_0131",), bench, folder / f"night-{Path(bench).stem}", rig=Rig(log=log, **rig)
    )
    return dry_run(asked, lambda line: None), sent


def points_of(done: Done) -> list[dict[str, Any]]:
    points: list[dict[str, Any]] = done.results["runs"][0]["points"]
    return points


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> tuple[Done, list[str]]:
    folder = tmp_path_factory.mktemp("calm")
    return night(folder, bench_of(folder))


def test_a_night_without_a_look_at_its_relays(tmp_path: Path, calm: tuple[Done, list[str]]) -> None:
    done, sent = calm
    assert done.exit_code == 0
    assert not [message for message in sent if "ROUT:CLOS?" in message]
    assert "loads open: not seen: told to open" in done.text
    assert "reads back open" not in done.text
    points = points_of(done)
    assert [p["outcome"] for p in points] == ["measured"] * 3
    for point in points:  # 1 % is as much as a load may differ from its file (common practice, no source)
        (off,) = re.findall(r"([+-][0-9.]+) %", point["load_proof"])
        assert abs(float(off)) < 1.0
        assert point["load_proof"].startswith("volts over amps at 0.4 V")
    told = json.dumps(done.results["runs"][0]["not_promised"])
    assert "none is ever seen closed or open" in told
    write_pages(done.out)
    (sheet,) = (done.out / "sheets").glob("*.html") if (done.out / "sheets").exists() else [done.out / "sheet.html"]
    page = sheet.read_text(encoding="utf-8")
    assert "Not promised" in page
    assert "none is ever seen closed or open" in page
    seen, asked = night(tmp_path, "ferry_workshop")
    assert [message for message in asked if "ROUT:CLOS?" in message]
    for one, other in zip(points[:2], points_of(seen)[:2], strict=True):
        assert one["channels"][0]["power_w"] == pytest.approx(other["channels"][0]["power_w"], rel=0.01)


@pytest.mark.parametrize(
    ("fires", "opens", "rule"),
    [(6, "ROUT:OPEN (@101,102,103,104)", "instrument restarted"), (14, "ROUT:OPEN:ALL", "output gone")],
)
def test_contacts_that_open_unseen_cost_the_point(
    fires: int, opens: str, rule: str, tmp_path: Path, calm: tuple[Done, list[str]]
) -> None:
    """Contacts open by themselves once so many bursts were fired: those of the loads, or all of them, and then nothing
    shows any more whether the unit's output is gone or its contact. Nothing is told as measured
    into a load that was not there: what was kept before is what an undisturbed night keeps."""
    bench: list[SimulatedBench] = []
    fired: list[int] = []

    def opened(now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        if front == "generator-a" and message.startswith("*TRG"):
            fired.append(now_ns)
            if len(fired) == fires:
                bench[0].panels["load_switch"].execute(opens, now_ns)

    done, _ = night(tmp_path, bench_of(tmp_path), log=opened, watch=bench.append)
    assert len(fired) >= fires
    assert done.exit_code == 1
    (run,) = done.results["runs"]
    assert run["outcome"] == "tripped"
    undisturbed = {point["id"]: point for point in points_of(calm[0])}
    kept = [point for point in run["points"] if point["outcome"] == "measured"]
    assert len(kept) < len(undisturbed)
    for point in kept:
        assert point["channels"][0]["power_w"] == undisturbed[point["id"]]["channels"][0]["power_w"]
    assert [trip["rule"] for trip in run["trips"]] == [rule]


def test_it_is_said_in_the_benchs_file_or_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for case, remedy in (
        ({"said": False}, "say reads_back = false"),
        ({"mute": False}, "tells the state of its relays: leave it out"),
        ({"shunt": False}, 'wire an input to a "shunt in the load return"'),
    ):
        bench = bench_of(tmp_path, **case)
        with pytest.raises(InputRefused) as refused:
            fitted_dialects(load_bench(bench))
        assert [p.key for p in refused.value.problems] == ["role.load_switch.reads_back"]
        assert remedy in str(refused.value)
    bench = bench_of(tmp_path)
    assert main(["check", "first", "--bench", bench, "--unit", "mv_0131"]) == 0
    assert "not promised" in capsys.readouterr().out


def test_a_proof_sees_the_places_and_no_coil() -> None:
    """Without a unit: the supply's volts come through each place's contact, which needs no coil's word."""

    def mute(bench: Bench) -> Bench:
        role = bench.role["load_switch"].model_copy(update={"reads_back": False})
        return bench.model_copy(update={"role": {**bench.role, "load_switch": role}})

    steps = proved(Flaw("none", "", (), bench="ferry_workshop"), stands=mute)
    outcomes = {(one.name, one.about): one.outcome for one in steps}
    assert "failed" not in outcomes.values()
    assert outcomes["settings", "load_switch"] == "not seen"
    assert outcomes["places", "load_switch"] == "held"
