"""`report --reanalyse`: a night led through its measurements again from what it kept, by the same code."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.compose import DryRun, dry_run
from sequencer.ledger.declared import DECLARED_NAME
from sequencer.ledger.traces import read_trace
from sequencer.measurements import power_at_limit, power_rows
from sequencer.reanalyse import ALL_SHOTS, NOT_REDONE, ONE_SHOT, Again, reanalyse
from sequencer.report.pages import read_night


def night(out: Path, plan: str, *, keep_shots: bool) -> Path:
    dry_run(DryRun(plan=plan, units=("ferry_pa_60",), bench="workshop", out=out, keep_shots=keep_shots), lambda _: None)
    return out


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return night(tmp_path_factory.mktemp("kept") / "night", "first_look_bench", keep_shots=True)


def again(folder: Path) -> list[Again]:
    return [one for points in reanalyse(folder, read_night(folder)).values() for one in points]


def test_with_all_shots_every_number_comes_out_alike_to_the_last_bit(kept: Path) -> None:
    """Single values and a whole search; the same code on the same records leaves nothing to change."""
    found = again(kept)
    rows: list[dict[str, Any]] = read_night(kept)["runs"][0]["points"]
    assert [one.id for one in found] == [row["id"] for row in rows]
    assert {one.by for one in found} == {ALL_SHOTS}
    assert [one.changed for one in found] == [()] * len(found)
    assert all(one.compared >= 10 for one in found)  # something was compared
    assert [one.row for one in found] == rows


def test_a_change_of_the_code_is_seen_in_what_hangs_on_it(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Watts 1 % up: every watt has changed, no volt has."""
    honest = power_rows.watts
    for module in (power_rows, power_at_limit):
        monkeypatch.setattr(module, "watts", lambda rms_v, ohm: 1.01 * honest(rms_v, ohm))
    (power,) = [one for one in again(kept) if one.changed]
    assert power.id == "p004"
    keys = {change.key.rsplit(".", 1)[-1] for change in power.changed}
    assert {"power_w", "power_at_limit_w", "fundamental_power_w"} <= keys
    assert not keys & {"output_vrms", "thd_pct", "level_vrms", "distortion_pct"}
    changed = {change.key: change for change in power.changed}["channels[0].power_w"]
    assert changed.now == pytest.approx(1.01 * changed.was, rel=1e-9)


def test_where_the_search_would_go_another_way_it_is_not_redone(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sequencer.measurements import output_power

    monkeypatch.setattr(output_power, "TWIN_DB", 11.0)  # of a level that was never fired
    (power,) = [one for one in again(kept) if one.by == NOT_REDONE]
    assert power.reason is not None
    assert "Vrms were fired then" in power.reason
    assert power.row == next(row for row in read_night(kept)["runs"][0]["points"] if row["id"] == power.id)


def test_without_all_shots_the_shot_that_is_the_row_is_read_again(tmp_path: Path) -> None:
    """One cycle: its trace is whole."""
    plan = tmp_path / "one.toml"
    plan.write_text(
        'format = 1\nname = "one"\n[[stage]]\nname = "o"\nmeasurement = "output_offset"\n'
        '[[stage]]\nname = "b"\nmeasurement = "output_power"\nloads = ["8R"]\ndrives = ["1 cycle"]\n'
    )
    offset, power = again(night(tmp_path / "night", str(plan), keep_shots=False))
    assert offset.by == NOT_REDONE
    assert offset.reason
    assert (power.by, power.changed) == (ONE_SHOT, ())
    assert power.compared >= 30
    assert power.row["channels"][0]["burst_residual_pct"] is not None  # rests on the twin: stays as it was


def test_the_command_says_what_changed_and_leaves_the_night_as_it_was(
    kept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = {path: path.read_bytes() for path in kept.rglob("*") if path.is_file()}
    assert main(["report", str(kept), "--reanalyse"]) == 0
    said = capsys.readouterr().out
    assert "4 points from all shots" in said
    assert "\n0 changed\n" in said
    assert {path: path.read_bytes() for path in before} == before
    changes = json.loads((kept / "reanalysed" / "changes.json").read_text())
    assert [len(points) for points in changes["runs"].values()] == [4]
    assert "Sheet for unit" in (kept / "reanalysed" / "sheet.html").read_text()
    assert read_night(kept / "reanalysed")["runs"][0]["points"] == read_night(kept)["runs"][0]["points"]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda folder: (folder / DECLARED_NAME).unlink(), DECLARED_NAME),
        (lambda folder: (folder / DECLARED_NAME).write_text('{"format": 1, "plan": {}}'), DECLARED_NAME),
        (lambda folder: _talk(folder).write_text("half a li"), "line 1"),
        (lambda folder: next(_talk(folder).parent.glob("*.npz")).write_bytes(b"no zip"), ".npz"),
    ],
    ids=["nothing declared", "declared by hand", "a talk cut off", "a broken shot"],
)
def test_broken_files_are_refused_by_name(
    kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], spoil: Any, words: str
) -> None:
    folder = tmp_path / "night"
    shutil.copytree(kept, folder)
    spoil(folder)
    assert main(["report", str(folder), "--reanalyse"]) == 2
    assert words in capsys.readouterr().err


def _talk(folder: Path) -> Path:
    return next((folder / "shots").glob("*+p001/*.jsonl"))


TWO_TONES = """\
format = 1
name = "pairs"
rest = "quick"
[[stage]]
name = "limit"
measurement = "output_power"
loads = ["8R"]
[[stage]]
name = "pairs"
measurement = "intermodulation"
loads = ["8R"]
"""


def test_two_tones_are_read_again_as_two_tones(tmp_path: Path) -> None:
    """Every product hangs on both frequencies; the traces of a point hold them as well."""
    (tmp_path / "pairs.toml").write_text(TWO_TONES)
    folder = night(tmp_path / "night", str(tmp_path / "pairs.toml"), keep_shots=True)
    _, pairs = again(folder)
    assert (pairs.reason, pairs.by, pairs.changed) == (None, ALL_SHOTS, ())
    assert pairs.compared > 50
    kept = [read_trace(folder / name).request for name in pairs.row["traces"]]
    assert {(fire.frequency_hz, fire.second.frequency_hz) for fire in kept if fire.second} == {
        (60.0, 7000.0),
        (19000.0, 20000.0),
    }
