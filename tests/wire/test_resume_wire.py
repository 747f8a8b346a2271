"""Rehearsals whose process kills itself at all kinds of moments, and that are gone on with: every point once, none
lost, and the numbers those of a night that nobody disturbed, within the uncertainty that stands beside them."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.compose import DryRun, Rig, dry_run
from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, EXIT_REFUSED, InputRefused
from sequencer.ledger.store import Ledger
from sequencer.resuming import begun
from simulators.faults import LinkFault, LinkFaults

pytestmark = pytest.mark.long

ROOT = Path(__file__).resolve().parents[2]
LIMIT_S = 300.0
UNITS = ("ferry_pa_60", "ferry_pa_60_aft")
PLAN = """
format = 1
name = "small"
rest = "quick"

[[stage]]
name = "first power"
measurement = "first_power"

[[stage]]
name = "bench"
measurement = "bench_check"

[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
stop_limit = { thd_pct = [1.0, 0.5] }
"""
POINTS = ["p001", "p002", "p003", "p004"]  # p003 and p004 are searched together
# How each process ends. Drawn: by the count of the bench's messages, of which the proofs alone take more than that.
DRAWN = random.Random(20260302)
CHAINS = {
    "its own proof": ("after 2", "proof 2", "before 1", "never 0"),
    "half a group": ("after 3", f"message {DRAWN.randrange(20, 400)}", "after 1", "never 0"),
    "anywhere": (*(f"message {DRAWN.randrange(20, most)}" for most in (250, 200, 150)), "never 0"),
}


@dataclass
class Chain:
    """codes: of each process. text: what the last one said. open_runs: after each death, the run without an end."""

    folder: Path
    codes: list[int]
    texts: list[str]

    @property
    def runs(self) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads((self.folder / "night" / "results.json").read_text())["runs"]
        return found


def life(folder: Path, how: str, end: str, units: tuple[str, ...] = UNITS) -> subprocess.Popen[str]:
    words = [sys.executable, "-P", "-m", "tests.wire.dying", str(folder), how, *end.split(), *units]
    return subprocess.Popen(words, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=here())


def here() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(ROOT)}


def chained(
    root: Path, plan: str, chains: Mapping[str, tuple[str, ...]], units: tuple[str, ...] = UNITS
) -> list[Chain]:
    """All side by side, each process of a chain when the one before is dead."""
    found = []
    for name in chains:
        folder = root / name.replace(" ", "-")
        folder.mkdir()
        (folder / "plan.toml").write_text(plan)
        found.append(Chain(folder, [], []))
    for number in range(max(map(len, chains.values()))):
        how = "resume" if number else "begin"
        lives = [
            (one, life(one.folder, how, ends[number], units)) for one, ends in zip(found, chains.values(), strict=True)
        ]
        for one, process in lives:
            one.texts.append(process.communicate(timeout=LIMIT_S)[0])
            one.codes.append(process.returncode)
    return found


@pytest.fixture(scope="module")
def chains(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Chain]:
    root = tmp_path_factory.mktemp("chains")
    names = [*CHAINS, "undisturbed"]
    three = dict(zip(names, chained(root, PLAN, CHAINS), strict=False))
    (whole,) = chained(root, PLAN, {"undisturbed": ("never 0",)})
    return three | {"undisturbed": whole}


@pytest.mark.parametrize("name", CHAINS)
def test_every_point_once_and_none_lost_after_three_deaths(chains: dict[str, Chain], name: str) -> None:
    chain = chains[name]
    assert chain.codes == [-signal.SIGKILL] * 3 + [EXIT_DONE], chain.texts
    assert [run["outcome"] for run in chain.runs] == ["finished", "finished"]
    assert [[row["id"] for row in run["points"]] for run in chain.runs] == [POINTS, POINTS]
    assert [run["id"] for run in chain.runs] == [run["id"] for run in chains["undisturbed"].runs]
    with Ledger(chain.folder / "night" / "ledger.sqlite", read_only=True) as ledger:
        assert ledger.integrity() == []
        told = [json.loads(one.payload) for one in ledger.outbox()]
    assert [one["seq"] for one in told] == list(range(1, len(told) + 1))
    points = [(one["run"], one["point"]["id"]) for one in told if one["schema_name"] == "nightramp.point"]
    assert points == [(run["id"], row["id"]) for run in chain.runs for row in run["points"]]
    assert [one["time"] for one in told] == sorted(one["time"] for one in told)


@pytest.mark.parametrize("name", CHAINS)
def test_the_numbers_are_those_of_an_undisturbed_night(chains: dict[str, Chain], name: str) -> None:
    """Two readings of one quantity lie within the expanded uncertainty of their difference (JCGM 100, 5.1.2): what the
    two nights share (the same simulated bench) makes it smaller still."""
    compared = 0
    for run, whole in zip(chains[name].runs, chains["undisturbed"].runs, strict=True):
        for row, same in zip(run["points"], whole["points"], strict=True):
            assert (row["outcome"], row["stopped_by"]) == (same["outcome"], same["stopped_by"])
            for one, other in zip(row["channels"], same["channels"], strict=True):
                both = (one["power_expanded_uncertainty_w"] ** 2 + other["power_expanded_uncertainty_w"] ** 2) ** 0.5
                assert abs(one["power_w"] - other["power_w"]) <= both
                compared += 1
    assert compared == 2 * 2 * 2  # units, searched points, channels


def test_who_was_measured_after_a_death_says_so(chains: dict[str, Chain]) -> None:
    first, second = chains["half a group"].runs
    # The third row's commit was the last thing of the first process: its group's other point is the first of the next.
    assert [row["id"] for row in first["points"] if not row["resumed"]] == POINTS[:3]
    assert first["resumed"][0]["at_point"] == "p004"
    assert all(one["why"].startswith("the process before ended without a word") for one in first["resumed"])
    assert all("supply" in " ".join(one["made_safe"]) for one in first["resumed"])
    for run in (*chains["undisturbed"].runs, second):
        if not run["resumed"]:
            assert not any(row["resumed"] for row in run["points"])
    assert chains["undisturbed"].runs[0]["resumed"] == []


def test_a_death_while_the_bench_is_proved_again(chains: dict[str, Chain]) -> None:
    """first_power had been done once more then, the bench check had not; the next two processes do both. The row that
    was about to be kept when the third died is measured again."""
    entries = chains["its own proof"].runs[0]["resumed"]
    assert [entry["at_point"] for entry in entries] == ["p003"] * 3
    redone = [[one["measurement"] for one in entry["redone"]] for entry in entries]
    assert redone == [["first_power"], ["first_power", "bench_check"], ["first_power", "bench_check"]]
    assert all(one["outcome"] == "measured" for one in entries[-1]["redone"])
    assert entries[-1]["redone"][1]["values"]


def test_the_sheet_says_it(chains: dict[str, Chain]) -> None:
    text = page(chains["half a group"].folder / "night")
    assert "Resumed" in text
    assert "at p004, the bench made safe first" in text
    assert "Resumed" not in page(chains["undisturbed"].folder / "night")


def page(night: Path) -> str:
    """The first unit's sheet, made anew."""
    assert main(["report", str(night)]) == EXIT_DONE
    return next(iter(sorted((night / "sheets").glob("*.html")))).read_text()


def test_nothing_to_resume_and_words_that_do_not_belong(
    chains: dict[str, Chain], capsys: pytest.CaptureFixture[str]
) -> None:
    done = str(chains["undisturbed"].folder / "night")
    cases = {
        ("dry-run", "--resume", done): "nothing to resume",
        ("run", "--resume", done): "dry-run --resume",
        ("dry-run", "first", "--resume", done): "PLAN",
        ("run", "--resume", done, "--bench", "workshop"): "--bench",
        ("dry-run", "--resume", "/nowhere/at/all"): "declared.json",
        ("dry-run", "demo", "--out", done): "--resume",
        ("run", "first"): "--unit",
    }
    for words, told in cases.items():
        assert main(list(words)) == EXIT_REFUSED
        assert told in capsys.readouterr().err, words


def reopened(chains: Mapping[str, Chain], folder: Path, **declared: Any) -> Path:
    """A copy of the undisturbed night as if its process had died before the last run's end was kept. declared: what its
    `night` then says otherwise."""
    night = folder / "night"
    shutil.copytree(chains["undisturbed"].folder / "night", night)
    database = sqlite3.connect(night / "ledger.sqlite")
    database.execute("UPDATE run SET ended = NULL, outcome = NULL WHERE number = 2")
    database.commit()
    database.close()
    told = json.loads((night / "declared.json").read_text())
    told["night"] |= declared
    (night / "declared.json").write_text(json.dumps(told))
    return night


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        ({"bench_sha256": "0" * 64}, "no longer the file"),
        ({"version": "0.0.1"}, "another version"),
        ({"order": ["r0"]}, "changed by hand"),
        ({"simulated": False}, "run --resume"),
        ({"seed": "one"}, "night.seed"),
    ],
)
def test_what_cannot_go_on_is_refused_by_name(
    declared: dict[str, Any],
    words: str,
    chains: dict[str, Chain],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    night = reopened(chains, tmp_path, **declared)
    before = (night / "ledger.sqlite").read_bytes()
    assert main(["dry-run", "--resume", str(night)]) == EXIT_REFUSED
    assert words in capsys.readouterr().err
    assert (night / "ledger.sqlite").read_bytes() == before


def test_a_run_that_was_complete_but_for_its_end(chains: dict[str, Chain], tmp_path: Path) -> None:
    """No unit is powered for it, nothing is proved again, and every row stays as it was to the last bit."""
    night = reopened(chains, tmp_path)
    process = life(tmp_path, "resume", "never 0", ())
    text = process.communicate(timeout=LIMIT_S)[0]
    assert process.returncode == EXIT_DONE, text
    assert "was complete but for its end" in text
    runs, whole = Chain(tmp_path, [], []).runs, chains["undisturbed"].runs
    assert [run["points"] for run in runs] == [run["points"] for run in whole]
    assert [run["outcome"] for run in runs] == ["finished", "finished"]
    (entry,) = runs[1]["resumed"]
    assert (entry["at_point"], entry["redone"]) == (None, [])
    with Ledger(night / "ledger.sqlite", read_only=True) as ledger:
        assert ledger.integrity() == []


def test_a_bench_that_is_not_confirmed_safe_first_leaves_the_run_as_it_was(
    chains: dict[str, Chain], tmp_path: Path
) -> None:
    """The supply refuses every connection: nothing goes on, and it can be tried again once the supply answers."""
    night = reopened(chains, tmp_path)
    dead = Rig({"supply": LinkFaults((LinkFault("refused", at_s=0.0, for_s=1e6),))})
    done = dry_run(DryRun(again=begun(night, simulated=True), rig=dead), lambda line: None)
    assert done.exit_code == EXIT_NOT_CONFIRMED_SAFE, done.text
    assert "NOT CONFIRMED SAFE" in done.text
    last = done.results["runs"][1]
    assert (last["ended"], last["resumed"], last["trips"]) == (None, [], [])
    assert dry_run(DryRun(again=begun(night, simulated=True)), lambda line: None).exit_code == EXIT_DONE


def test_in_a_folder_that_keeps_many_nights_the_one_without_an_end_is_found(
    chains: dict[str, Chain], tmp_path: Path
) -> None:
    """As a daemon keeps them: what each night was told lies under the id of its first run."""
    night = reopened(chains, tmp_path)
    first, second = (run["id"] for run in chains["undisturbed"].runs)
    (night / "declared").mkdir()
    (night / "declared.json").rename(night / "declared" / f"{first}.json")
    assert [run.id for run in begun(night, simulated=True).runs] == [first, second]
    assert [run.id for run in begun(night, simulated=True, only=second).runs] == [second]
    for wrong, words in ((first, "nothing to resume"), ("r0", "missing")):
        with pytest.raises(InputRefused, match=words):
            begun(night, simulated=True, only=wrong)


def test_results_that_a_death_left_unwritten(
    chains: dict[str, Chain], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    night = tmp_path / "night"
    shutil.copytree(chains["undisturbed"].folder / "night", night)
    before = (night / "results.json").read_bytes()
    (night / "results.json").unlink()
    assert main(["dry-run", "--resume", str(night)]) == EXIT_REFUSED
    assert "nothing to resume" in capsys.readouterr().err
    assert (night / "results.json").read_bytes() == before


def test_a_night_that_went_on_meanwhile_is_left_alone(chains: dict[str, Chain], tmp_path: Path) -> None:
    """Between reading it and going on a person may take his time: by then another process may have done it."""
    night = reopened(chains, tmp_path)
    read = begun(night, simulated=True)
    assert dry_run(DryRun(again=read), lambda line: None).exit_code == EXIT_DONE
    with pytest.raises(InputRefused, match="another process went on with it"):
        dry_run(DryRun(again=read), lambda line: None)


REFERENCE = """
format = 1
name = "reference"
reference = "first and last"
rest = "quick"

[[stage]]
name = "soak"
measurement = "soak"
loads = ["8R"]
options = { minutes = 3.0 }

[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["8 cycles"]
"""


def test_the_heat_is_given_again_and_the_reference_is_still_compared(tmp_path: Path) -> None:
    """Killed after the second soak; meanwhile the first run's watts are made 5 % larger in the ledger, which is 10 log
    1.05 = 0.21 dB, more than the 0.15 dB allowed (common practice, no source). The simulated unit stands cold after the
    death: only a soak once more brings its heat sinks to where the first run's were (3 K: our own judgement)."""
    (chain,) = chained(tmp_path, REFERENCE, {"dies": ("after 3",)}, UNITS[:1])
    assert chain.codes == [-signal.SIGKILL]
    _watts_larger(chain.folder / "night" / "ledger.sqlite", 1.05)
    process = life(chain.folder, "resume", "never 0", ())
    text = process.communicate(timeout=LIMIT_S)[0]
    assert process.returncode == EXIT_DONE, text
    first, last = chain.runs
    assert [one["measurement"] for one in last["resumed"][0]["redone"]] == ["soak"]
    assert [row["resumed"] for row in last["points"]] == [False, True]
    was, now = first["points"][1]["start_heatsink_c"], last["points"][1]["start_heatsink_c"]
    room = first["points"][0]["start_heatsink_c"]
    assert min(was.values()) > max(room.values()) + 3.5  # a soak that heats nothing would prove nothing
    assert now == pytest.approx(was, abs=3.0)
    suspect = json.loads((chain.folder / "night" / "results.json").read_text())["suspect"]
    assert "-0.21 dB" in suspect


def _watts_larger(path: Path, by: float) -> None:
    database = sqlite3.connect(path)
    for number, text in database.execute("SELECT number, row FROM point WHERE id = 'p002'").fetchall():
        row = json.loads(text)
        for channel in row["channels"]:
            channel["power_w"] *= by
        database.execute("UPDATE point SET row = ? WHERE number = ?", (json.dumps(row), number))
    database.commit()
    database.close()
