"""The ledger: all or nothing, one writer, plain words. Truths: what was put in; SQLite's documentation."""

from __future__ import annotations

import sqlite3
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import EXIT_REFUSED, InputRefused
from sequencer.ledger.faults import (
    LedgerBroken,
    LedgerBusy,
    LedgerFault,
    LedgerFull,
    LedgerOrder,
    LedgerUnwritable,
)
from sequencer.ledger.opening import refuse_used_folder
from sequencer.ledger.plain import RowRefused
from sequencer.ledger.rows import Message
from sequencer.ledger.schema_sql import MIGRATIONS, migrate, version_of
from sequencer.ledger.store import Ledger
from tests.sequencer.ledger_rows import LATER, head, point, refused_point

TOLD = Message("nightramp/1/workshop/point", {"x": 1})


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


def begun(path: Path, **opening: Any) -> Ledger:
    ledger = Ledger(path, **opening)
    ledger.begin_run(head())
    return ledger


def ids(ledger: Ledger) -> list[str]:
    return [p["id"] for run in ledger.results()["runs"] for p in run["points"]]


def test_what_was_kept_is_there_after_opening_again(path: Path) -> None:
    """The rows that were put in, in their order, with the run's end."""
    with begun(path) as ledger:
        ledger.keep_point("r01", point("p002"))
        ledger.keep_point("r01", refused_point("p001"))
        ledger.keep_trip("r01", {"time": LATER, "sentence": "heat sink at 86 degC"})
        ledger.keep_finding("r01", {"kind": "gain", "sentence": "gain is 1 dB low"})
        ledger.mark_suspect("the reference unit moved by 0.3 dB")
        ledger.mark_suspect("a later reason")
        ledger.end_run("r01", LATER, "finished")
        before = ledger.results()
    with Ledger(path) as ledger:
        assert ledger.results() == before
        assert ledger.integrity() == []
    run = before["runs"][0]
    assert [p["id"] for p in run["points"]] == ["p002", "p001"]
    assert run["trips"][0]["sentence"] == "heat sink at 86 degC"
    assert run["findings"][0]["kind"] == "gain"
    assert (run["outcome"], run["ended"]) == ("finished", LATER)
    assert before["suspect"] == "the reference unit moved by 0.3 dB"


def test_durability_is_asked_for(path: Path) -> None:
    """sqlite.org/pragma.html: synchronous 2 is FULL; WAL with FULL syncs the journal at each commit."""
    with begun(path) as ledger:
        asked = [
            ledger._database.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("journal_mode", "synchronous", "foreign_keys")
        ]
        assert asked == ["wal", 2, 1]


def test_a_run_without_an_end_is_unfinished(path: Path) -> None:
    """Nobody wrote an end: nothing else may be said."""
    with begun(path) as ledger:
        assert [(r["id"], r["outcome"], r["ended"]) for r in ledger.runs()] == [("r01", "unfinished", None)]


def test_results_of_some_runs(path: Path) -> None:
    """In the order they began, whatever the order they are asked in."""
    with begun(path) as ledger:
        for name in ("r00", "r02"):
            ledger.begin_run(head(name))
        found = ledger.results(["r02", "r01"])
        assert [run["id"] for run in found["runs"]] == ["r01", "r02"]
        with pytest.raises(LedgerOrder, match="no run r77"):
            ledger.results(["r77"])


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda ledger: ledger.begin_run(head()), "run r01 has begun already"),
        (lambda ledger: ledger.keep_point("r09", point()), "run r09 was never begun"),
        (lambda ledger: ledger.keep_trip("r09", {"time": LATER, "sentence": "x"}), "run r09 was never begun"),
        (lambda ledger: ledger.end_run("r09", LATER, "finished"), "run r09 was never begun"),
        (
            lambda ledger: ledger.keep_point("r01", point("p001"), [TOLD]),
            "point p001 of run r01 is kept already",
        ),
    ],
)
def test_wrong_orders_are_refused_and_leave_nothing(path: Path, act: Any, words: str) -> None:
    """Neither rows nor messages of a refused call remain, and the next call works."""
    with begun(path) as ledger:
        ledger.keep_point("r01", point("p001"))
        before = (ledger.results(), ledger.outbox())
        with pytest.raises(LedgerOrder, match=words):
            act(ledger)
        assert (ledger.results(), ledger.outbox()) == before
        ledger.keep_point("r01", point("p002"))


def test_an_ended_run_takes_no_points_but_trips(path: Path) -> None:
    """Making safe may outlast the run."""
    with begun(path) as ledger:
        ledger.end_run("r01", LATER, "tripped")
        for act in (
            lambda: ledger.keep_point("r01", point()),
            lambda: ledger.end_run("r01", LATER, "finished"),
        ):
            with pytest.raises(LedgerOrder, match="has ended"):
                act()
        ledger.keep_trip("r01", {"time": LATER, "sentence": "rail still at 8 V"})
        assert len(ledger.results()["runs"][0]["trips"]) == 1


def test_a_message_that_cannot_be_kept_takes_the_point_with_it(path: Path) -> None:
    """Result and message together or neither."""
    with begun(path) as ledger:
        with pytest.raises(RowRefused, match="x"):
            ledger.keep_point("r01", point(), [TOLD, Message("t", {"x": float("nan")})])
        assert ids(ledger) == []
        assert ledger.outbox() == []
        assert ledger.keep_point("r01", point(), [TOLD]) == (1,)


def test_a_second_writer_is_refused_in_plain_words(path: Path) -> None:
    """One writer; the first goes on undisturbed, and its end lets the next one in."""
    with begun(path) as first:
        with pytest.raises(InputRefused, match="another nightramp is writing it; end that one first") as refused:
            Ledger(path)
        assert refused.value.exit_code == EXIT_REFUSED
        first.keep_point("r01", point())
    with Ledger(path) as second:
        second.keep_point("r01", point("p002"))
        assert ids(second) == ["p001", "p002"]
    assert [p.name for p in path.parent.iterdir()] == ["ledger.sqlite"]


def test_a_reader_beside_the_writer_sees_what_was_kept_and_writes_nothing(path: Path) -> None:
    """sqlite.org/wal.html: readers do not block the writer, nor the writer readers."""
    with begun(path) as writer, Ledger(path, read_only=True) as reader:
        assert ids(reader) == []
        writer.keep_point("r01", point())
        assert ids(reader) == ["p001"]
        with pytest.raises(LedgerUnwritable):
            reader.keep_point("r01", point("p002"))
        writer.keep_point("r01", point("p003"))


def test_reading_a_ledger_that_is_not_there_creates_none(path: Path) -> None:
    """A wrong path is refused, not made true."""
    with pytest.raises(InputRefused, match="not found"):
        Ledger(path, read_only=True)
    assert list(path.parent.iterdir()) == []


def test_another_programs_lock_is_said(path: Path) -> None:
    """A foreign SQLite shell holds the file: SQLITE_BUSY (5), after the wait."""
    with begun(path, busy_s=0.01) as ledger:
        other = sqlite3.connect(path, isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerBusy, match="another program keeps it locked"):
            ledger.keep_point("r01", point())
        other.execute("ROLLBACK")
        other.close()
        ledger.keep_point("r01", point())


def test_a_full_disk_is_named_and_what_was_kept_before_stands(path: Path) -> None:
    """PRAGMA max_page_count makes SQLite answer SQLITE_FULL as a full disk does (sqlite.org/pragma.html)."""
    kept: list[str] = []
    with begun(path, pages_at_most=40) as ledger:

        def fill() -> None:
            for number in range(1000):
                ledger.keep_point("r01", point(f"p{number:03}", note="x" * 2000), [TOLD])
                kept.append(f"p{number:03}")

        with pytest.raises(LedgerFull, match="the disk is full"):
            fill()
        assert ids(ledger) == kept
        assert len(ledger.outbox()) == len(kept) > 3
        assert ledger.integrity() == []
    with Ledger(path) as ledger:  # room was made
        assert ids(ledger) == kept
        ledger.keep_point("r01", point("p999"), [TOLD])
        assert [m.seq for m in ledger.outbox()] == list(range(1, len(kept) + 2))


def test_another_programs_file_is_left_alone(path: Path) -> None:
    """Neither a foreign SQLite file nor a text is taken for a ledger, and neither is changed."""
    foreign = sqlite3.connect(path)
    foreign.execute("CREATE TABLE theirs (x)")
    foreign.commit()
    foreign.close()
    before = path.read_bytes()
    with pytest.raises(InputRefused, match="another program's file"):
        Ledger(path)
    assert path.read_bytes() == before
    path.write_text("a diary, not a ledger. " * 100)
    for read_only in (False, True):
        with pytest.raises(InputRefused, match=r"ledger = file is not a database: .*name another"):
            Ledger(path, read_only=read_only)
    assert [p.name for p in path.parent.iterdir()] == ["ledger.sqlite"]


def test_a_damaged_file_is_named(path: Path) -> None:
    """Pages overwritten in the middle: integrity tells, or reading raises with the name of the situation."""
    with begun(path) as ledger:
        for number in range(60):
            ledger.keep_point("r01", point(f"p{number:03}", note="x" * 500))
    data = bytearray(path.read_bytes())
    data[len(data) // 3 : len(data) // 3 + 20000] = b"\x55" * 20000
    path.write_bytes(bytes(data))
    with Ledger(path) as ledger:
        try:
            found = ledger.integrity()
        except LedgerFault as fault:
            found = [str(fault)]
        assert found
        with pytest.raises(LedgerBroken, match="damaged"):
            ledger.results()


def test_a_newer_ledger_is_refused(path: Path) -> None:
    """What a newer nightramp wrote is not guessed at."""
    begun(path).close()
    database = sqlite3.connect(path, isolation_level=None)
    database.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    database.close()
    for read_only in (False, True):
        with pytest.raises(InputRefused, match="newer than this nightramp"):
            Ledger(path, read_only=read_only)


def test_migrations_are_whole_or_not_at_all(path: Path) -> None:
    """An older file gets what is new and keeps its rows; one that fails half-way stays what it was."""
    with begun(path) as ledger:
        ledger.keep_point("r01", point())
        broken = [
            *MIGRATIONS,
            ("CREATE TABLE later (x INTEGER) STRICT", "NO SQL"),
        ]
        with pytest.raises(sqlite3.OperationalError):
            migrate(ledger._database, broken)
        assert version_of(ledger._database) == len(MIGRATIONS)
        added = [*MIGRATIONS, ("CREATE TABLE later (x INTEGER) STRICT", "INSERT INTO later VALUES (7)")]
        migrate(ledger._database, added)
        migrate(ledger._database, added)
        assert version_of(ledger._database) == len(MIGRATIONS) + 1
        assert ledger._database.execute("SELECT x FROM later").fetchall() == [(7,)]
        assert ids(ledger) == ["p001"]


def test_an_interrupted_creation_is_finished_at_the_next_opening(path: Path) -> None:
    """An empty file is what a kill leaves before the first commit."""
    path.touch()
    with begun(path) as ledger:
        assert ledger.integrity() == []


def test_one_thread_owns_it(path: Path) -> None:
    """A call from another thread is a mistake of ours and said at once; nothing is kept."""
    with begun(path) as ledger, ThreadPoolExecutor(1) as other:
        with pytest.raises(sqlite3.ProgrammingError, match="thread"):
            other.submit(ledger.keep_point, "r01", point()).result()
        assert ids(ledger) == []


def test_closing_twice_and_after_a_checkpoint(path: Path) -> None:
    """After a clean end one file is left, and it is the whole ledger."""
    ledger = begun(path)
    ledger.keep_point("r01", point())
    ledger.checkpoint()
    copy = path.parent / "copy.sqlite"
    copy.write_bytes(path.read_bytes())
    ledger.close()
    ledger.close()
    with Ledger(copy) as copied:
        assert ids(copied) == ["p001"]


# --- folders --------------------------------------------------------------------------------------


def test_a_folder_that_holds_a_ledger_is_refused_and_untouched(tmp_path: Path) -> None:
    """Exit code 2, nothing written."""
    begun(tmp_path / "ledger.sqlite").close()
    before = sorted((p.name, p.stat().st_mtime_ns) for p in tmp_path.iterdir())
    with pytest.raises(InputRefused, match="earlier night") as refused:
        refuse_used_folder(tmp_path)
    assert refused.value.exit_code == EXIT_REFUSED
    assert sorted((p.name, p.stat().st_mtime_ns) for p in tmp_path.iterdir()) == before


def test_new_and_empty_folders_are_welcome_and_not_made(tmp_path: Path) -> None:
    """The question alone creates nothing."""
    refuse_used_folder(tmp_path)
    refuse_used_folder(tmp_path / "new")
    assert list(tmp_path.iterdir()) == []


def test_a_file_in_place_of_a_folder_is_refused(tmp_path: Path) -> None:
    """Said before the night, not after."""
    (tmp_path / "out").write_text("")
    with pytest.raises(InputRefused, match="not a folder"):
        refuse_used_folder(tmp_path / "out")
