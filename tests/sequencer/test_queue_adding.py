"""From names and tables to entries: on paper first, all problems at once, nothing added where any is wrong."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.daemon.csv_rows import COLUMNS, wanted_in
from sequencer.errors import InputRefused
from sequencer.ledger.queue import Queue
from sequencer.on_paper import check

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = ROOT / "sequences"


@pytest.fixture
def ledger(tmp_path: Path) -> Path:
    return tmp_path / "nights" / "ledger.sqlite"


def add(ledger: Path, *words: str) -> int:
    return main(["queue", "--ledger", str(ledger), "add", *words, "--bench", "workshop"])


def test_what_is_kept_of_an_entry(ledger: Path) -> None:
    """Paths absolute, hashes as sha256sum(1) has them, and the time that `check` prints, with mute and bleeding."""
    import hashlib

    given = ("first", "--unit", "ferry_pa_60:MV-0999@2", "--label", "after repair", "--repeat", "2", "--note", "deck 3")
    assert add(ledger, *given, "--after-trip", "hold the rest") == 0
    with Queue(ledger, read_only=True) as queue:
        (one,) = queue.entries()
    plan, unit = SHIPPED / "plans" / "first.toml", SHIPPED / "units" / "ferry_pa_60.toml"
    assert (one.plan, one.unit, one.serial, one.bay) == (str(plan), f"{unit}:MV-0999", "MV-0999", "2")
    digests = [hashlib.sha256(path.read_bytes()).hexdigest() for path in (plan, unit)]
    assert [one.plan_sha256, one.unit_sha256] == digests
    assert (one.label, one.repeat, one.note, one.after_trip) == ("after repair", 2, "deck 3", "hold the rest")
    (paper,) = check("first", ["ferry_pa_60"], "workshop").units
    assert one.estimate_s == sum(e.time_s for e in paper.estimates) + paper.unit.mute_s + paper.unit.bleed_s


def test_units_stay_in_their_bays_and_get_one_of_their_own(ledger: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The bench has bays 1 and 2: a third unit finds none, and nobody gets the bay of one that still waits."""
    assert add(ledger, "first", "--unit", "ferry_pa_60", "--unit", "ferry_pa_60_aft") == 0
    assert add(ledger, "first", "--unit", "ferry_pa_60_aft") == 0
    with Queue(ledger, read_only=True) as queue:
        assert [(one.serial, one.bay) for one in queue.entries()] == [
            ("MV-0117", "1"),
            ("MV-0122", "2"),
            ("MV-0122", "2"),
        ]
    assert add(ledger, "first", "--unit", "ferry_pa_60:OTHER") == 2
    assert "no bay is free" in capsys.readouterr().err
    assert add(ledger, "first", "--unit", "ferry_pa_60:OTHER@1") == 2
    assert "MV-0117" in capsys.readouterr().err
    assert main(["queue", "remove", "1", "--ledger", str(ledger)]) == 0
    assert add(ledger, "first", "--unit", "ferry_pa_60:OTHER@1") == 0


def test_what_check_refuses_is_not_added(ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A load that the bench does not have: refused by `check` in the same words, and no ledger is made."""
    plan = tmp_path / "mine.toml"
    plan.write_text((SHIPPED / "plans" / "first.toml").read_text().replace('"8R"', '"7R"'))
    assert main(["check", str(plan), "--unit", "ferry_pa_60", "--bench", "workshop"]) == 2
    said_by_check = capsys.readouterr().err
    assert add(ledger, str(plan), "--unit", "ferry_pa_60") == 2
    assert capsys.readouterr().err == said_by_check
    assert not ledger.exists()


def test_go_on_takes_the_files_as_they_are_now(
    ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "mine.toml"
    shutil.copyfile(SHIPPED / "plans" / "first.toml", plan)
    act = ["queue", "--ledger", str(ledger)]
    assert add(ledger, str(plan), "--unit", "ferry_pa_60") == 0
    assert main([*act, "hold", "all"]) == 0
    plan.write_text(plan.read_text() + "\n# looked at\n")
    assert main([*act, "go-on", "1"]) == 0
    capsys.readouterr()
    assert main([*act, "list", "--json"]) == 0
    (one,) = json.loads(capsys.readouterr().out)["entries"]
    assert (one["state"], one["number"], one["why"], one["run_id"]) == ("waiting", 1, None, None)
    plan.write_text(plan.read_text().replace('"8R"', '"7R"'))
    assert main([*act, "hold", "1"]) == 0
    assert main([*act, "go-on", "all"]) == 2, "refused by now"
    with Queue(ledger, read_only=True) as queue:
        assert queue.counts()["held"] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["list"], "--ledger"),
        (["--ledger", "x.db", "list"], "ledger.sqlite"),
        (["--ledger", "nowhere", "list"], "not found"),
        (["--ledger", "nowhere", "hold", "1"], "not found"),
        (["--ledger", "n", "add", "--bench", "workshop"], "--csv"),
        (["--ledger", "n", "add", "first", "--bench", "workshop"], "--unit"),
        (["--ledger", "n", "add", "first", "--bench", "workshop", "--unit", "ferry_pa_60", "--repeat", "0"], "1 to 99"),
        (
            ["--ledger", "n", "add", "first", "--bench", "workshop", "--unit", "ferry_pa_60", "--after-trip", "x"],
            "hold the rest",
        ),
    ],
)
def test_each_wrong_word_is_refused_with_a_remedy(
    words: list[str], said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["queue", *words]) == 2
    assert said in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


# --- tables


def test_a_table_is_added_whole(ledger: Path, tmp_path: Path) -> None:
    """RFC 4180: quotes, commas within them, CRLF; a byte order mark as spreadsheets write it."""
    shutil.copyfile(SHIPPED / "plans" / "first.toml", tmp_path / "mine.toml")
    table = tmp_path / "tonight.csv"
    rows = ["plan,unit,bay,label,repeat,after_trip,note", 'first,ferry_pa_60,1,as received,,,"deck 3, aft"']
    rows += ["", "./mine.toml,ferry_pa_60_aft,,after repair,2,stop,"]
    table.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(rows).encode())
    assert add(ledger, "--csv", str(table)) == 0
    with Queue(ledger, read_only=True) as queue:
        first, second = queue.entries()
    assert (first.serial, first.bay, first.label, first.note, first.repeat) == (
        "MV-0117",
        "1",
        "as received",
        "deck 3, aft",
        1,
    )
    assert (second.plan, second.bay, second.repeat, second.after_trip) == (str(tmp_path / "mine.toml"), "2", 2, "stop")


def test_semicolons_where_a_spreadsheet_writes_them(tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("plan;unit;bay\nfirst;ferry_pa_60;2\n")
    (one,), problems = wanted_in(table)
    assert (one.plan, one.unit, problems) == ("first", "ferry_pa_60@2", [])


def test_all_that_is_wrong_with_a_table_at_once_and_nothing_added(
    ledger: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each problem with file, row and column, value, remedy."""
    table = tmp_path / "tonight.csv"
    rows = [
        "plan,unit,bay,label,repeat,after_trip,note",
        "first,ferry_pa_60,1,,,,",
        ",ferry_pa_60,,,,,",
        "first,ferry_pa_60,,,often,,",
        "../first.toml,ferry_pa_60,,,,,",
        "first,ferry_pa_60,9,,,,",
        "first,no_such_unit,,,,,",
        "first,ferry_pa_60,1,,1,perhaps,",
        "first,ferry_pa_60,1,,0,,,one more",
    ]
    table.write_text("\n".join(rows))
    assert add(ledger, "--csv", str(table)) == 2
    said = capsys.readouterr().err.splitlines()
    for row, column, value in (
        (3, "plan", "''"),
        (4, "repeat", "'often'"),
        (5, "plan", "'../first.toml'"),
        (6, "", "9"),
        (7, "", "no_such_unit"),
        (8, "after_trip", "'perhaps'"),
        (9, "repeat", "0"),
        (9, "column 8", "'one more'"),
    ):
        found = [line for line in said if re.match(rf"{re.escape(str(table))}: row {row}\b.*{column}", line)]
        assert any(value in line for line in found), (row, column, said)
    assert not any(re.search(r"row 2\b", line) for line in said)
    assert not ledger.exists()


@pytest.mark.parametrize(
    ("raw", "said"),
    [
        (b"", "names the columns"),
        (b"plan,unit,colour\n", "colour"),
        (b"plan,plan,unit\n", "named twice"),
        (b"plan\nfirst\n", "unit"),
        (b"plan,unit\n", "at least one row"),
        (b"plan,unit\nfirst,\xff\n", "UTF-8"),
        (b"plan,unit\n" + b"x" * 1_000_001, "at most"),
    ],
)
def test_what_is_no_table_of_ours_is_refused(raw: bytes, said: str, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_bytes(raw)
    with pytest.raises(InputRefused) as refused:
        wanted_in(table)
    assert said in str(refused.value)
    assert all(problem.file == str(table) and problem.remedy for problem in refused.value.problems)


def test_the_columns_are_told_in_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["queue", "add", "--help"])
    told = capsys.readouterr().out
    assert all(name in told for name in COLUMNS)
