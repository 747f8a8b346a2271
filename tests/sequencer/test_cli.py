"""The commands as a person types them: exit codes, what is said, and that a refusal leaves nothing behind."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from sequencer.cli import main

ROOT = Path(__file__).resolve().parents[2]


def test_check_prints_points_in_running_order_with_cost(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "demo", "--unit", "ferry_pa_60"]) == 0
    out = capsys.readouterr().out
    order = re.findall(r"^p\d+ +(\d+R) +(\d+) cycles? ", out, re.MULTILINE)
    assert order == [(load, n) for load in ("8R", "4R") for n in ("1", "8", "20")]
    for word in ("time", "J", "amps", "rate"):
        assert word in out


def test_check_for_programs(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "first", "--unit", "ferry_pa_60", "--json"]) == 0
    (unit,) = json.loads(capsys.readouterr().out)
    assert unit["unit"] == "MV-0117"
    assert len(unit["points"]) == 1


@pytest.mark.parametrize("command", ["check", "dry-run"])
def test_a_refused_plan_exits_2_names_all_and_writes_nothing(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    text = (ROOT / "sequences" / "plans" / "first.toml").read_text()
    plan = tmp_path / "mine.toml"
    plan.write_text(text.replace('"8R"', '"8R", "7R"').replace('"20 cycles"', '"20 cycles", "steady 10 s"'))
    assert main([command, "./mine.toml", "--unit", "ferry_pa_60"]) == 2
    error = capsys.readouterr().err
    assert "7R" in error
    assert "steady" in error
    assert "loads" in error
    assert "drives" in error
    assert sorted(tmp_path.iterdir()) == [plan]


def test_a_folder_with_a_ledger_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert main(["dry-run", "first", "--unit", "ferry_pa_60", "--out", str(out)]) == 0
    before = {p: p.read_bytes() for p in out.rglob("*") if p.is_file()}
    assert main(["dry-run", "first", "--unit", "ferry_pa_60", "--out", str(out)]) == 2
    assert "ledger" in capsys.readouterr().err
    assert {p: p.read_bytes() for p in out.rglob("*") if p.is_file()} == before


def test_table_comes_from_results_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Every accepted watt of the file stands in the printed table, to the places printed."""
    assert main(["dry-run", "first", "--out", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    results = json.loads((tmp_path / "out" / "results.json").read_text())
    watts = [c["power_w"] for run in results["runs"] for p in run["points"] for c in p["channels"]]
    assert len(watts) == 4
    for value in watts:
        assert f"{value:.1f} ±" in out


def test_plans_lists_what_ships(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plans"]) == 0
    out = capsys.readouterr().out
    shipped = [p.stem for kind in ("plans", "units", "benches") for p in (ROOT / "sequences" / kind).glob("*.toml")]
    assert shipped
    assert all(name in out for name in shipped)


def test_schema_of_each_kind_is_a_json_schema(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    every = json.loads(capsys.readouterr().out)
    assert {"plan", "unit", "bench", "dialect", "results", "message-point", "message-trip"} <= set(every)
    assert all(schema["type"] == "object" for schema in every.values())
    assert main(["schema", "plan"]) == 0
    assert json.loads(capsys.readouterr().out) == every["plan"]
    assert main(["schema", "poem"]) == 2


@pytest.mark.parametrize("command", ["check", "dry-run", "make-safe", "plans", "schema", "simulate"])
def test_every_command_has_help_that_ends_in_an_example(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main([command, "--help"])
    assert end.value.code == 0
    assert re.search(r"Example:\s+nightramp " + command, capsys.readouterr().out)


def test_commands_named_in_readme_exist(capsys: pytest.CaptureFixture[str]) -> None:
    readme = (ROOT / "README.md").read_text()
    named = set(re.findall(r"(?:`|bin/)nightramp ([a-z][a-z-]+)", readme))
    with pytest.raises(SystemExit):
        main(["--help"])
    listed = capsys.readouterr().out
    assert named
    assert {name for name in named if name not in listed} == set()


def test_an_unknown_bay_serial_or_file_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    for unit in ("ferry_pa_60@9", "nobody", "./nowhere.toml", "ferry_pa_60:"):
        assert main(["check", "first", "--unit", unit]) == 2, unit
    assert main(["check", "first", "--unit", "ferry_pa_60", "--unit", "ferry_pa_60"]) == 2
    assert "twice" in capsys.readouterr().err


@pytest.mark.parametrize("out", ["/proc/nowhere", "/dev/null/out"])
def test_a_folder_that_cannot_be_made_is_refused_before_anything_is_energised(
    out: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["dry-run", "first", "--unit", "ferry_pa_60", "--out", out]) == 2
    said = capsys.readouterr()
    assert "--out" in said.err
    assert "unit MV-0117" not in said.out


LEDGER_READERS = [
    ["report"],
    ["compare"],
    ["ledger", "check"],
    ["ledger", "backup", "--to", "copy.sqlite"],
    ["ledger", "tidy", "--older-than", "1"],
    ["bench", "bays"],
]


@pytest.mark.parametrize("command", LEDGER_READERS, ids=lambda words: " ".join(words[:2]))
@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a diary, no ledger", "ledger = file is not a database: damaged, or no ledger"),
        (b"SQLite format 3\0cut off", "ledger = file is not a database: damaged, or no ledger"),
        (b"", "ledger = empty: nothing was ever kept in it"),
    ],
    ids=["text", "cut", "empty"],
)
def test_a_ledger_that_is_none_is_refused_and_nothing_is_written_beside_it(
    command: list[str],
    content: bytes,
    words: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    night = tmp_path / "night"
    night.mkdir()
    (night / "ledger.sqlite").write_bytes(content)
    assert main([*command, "./night"]) == 2
    assert words in capsys.readouterr().err
    assert [path.name for path in tmp_path.rglob("*")] == ["night", "ledger.sqlite"]


@pytest.mark.parametrize("wrapped", [False, True])
def test_ctrl_c_outside_of_a_night_is_a_line_and_exit_code_4(
    wrapped: bool, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also where Python hands it on as the cause of a RuntimeError (PEP 487: an error in __set_name__, until 3.12)."""

    def interrupted(*_: object) -> None:
        if wrapped:
            raise RuntimeError("Error calling __set_name__") from KeyboardInterrupt()
        raise KeyboardInterrupt

    monkeypatch.setattr("sequencer.plan.load.shipped", interrupted)
    assert main(["plans"]) == 4
    assert capsys.readouterr().err == "\nstopped by Ctrl-C\n"
