"""House-keeping. Truths: what was put in; SQLite's own documentation (sqlite.org/backup.html, pragma.html)."""

from __future__ import annotations

import shutil
import sqlite3
import threading
from collections import namedtuple
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sequencer.cli import main
from sequencer.errors import EXIT_DONE, EXIT_FAULT, EXIT_REFUSED, InputRefused
from sequencer.ledger.faults import LedgerFull
from sequencer.ledger.room import SPARE_BYTES, refuse_full, refuse_small_disk
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger
from sequencer.ledger.upkeep import backup, drop, look, old
from sequencer.night.stamps import Stamps
from tests.sequencer.ledger_rows import LATER, head, point

TOLD = Message("nightramp/1/workshop/point", {"x": 1})
ENDED = datetime.fromisoformat(LATER)
Usage = namedtuple("Usage", "total used free")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """One run that ended, with a point, its trace and a shot; one message confirmed, one not."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.begin_run(head())
        row = point("p001") | {"traces": ["traces/r01+p001+accepted.npz"]}
        first, second = ledger.keep_point("r01", row, [TOLD, TOLD])
        ledger.mark_sent([first, second], LATER)
        ledger.confirm([(first, first)], first, LATER)
        ledger.end_run("r01", LATER, "finished")
    (tmp_path / "traces").mkdir()
    (tmp_path / "traces" / "r01+p001+accepted.npz").write_bytes(b"x" * 1000)
    (tmp_path / "traces" / "r02+p001+accepted.npz").write_bytes(b"of another run")
    (tmp_path / "shots" / "r01+p001").mkdir(parents=True)
    (tmp_path / "shots" / "r01+p001" / "01-0001.npz").write_bytes(b"x" * 500)
    return path


def test_a_sound_ledger_and_a_damaged_one(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A page overwritten with other bytes is what "PRAGMA integrity_check" or the reading itself must find."""
    assert main(["ledger", "check", str(path.parent)]) == EXIT_DONE
    assert "1 runs, 1 points" in capsys.readouterr().out
    (path.parent / "traces" / "r01+p001+accepted.npz").unlink()
    assert "1 traces named, 1 of them no longer kept" in look(path).facts
    whole = bytearray(path.read_bytes())
    page = 4096
    root = sqlite3.connect(path).execute("SELECT rootpage FROM sqlite_master WHERE name = 'outbox'").fetchone()[0]
    whole[(root - 1) * page : root * page] = b"\xa5" * page
    path.write_bytes(whole)
    assert main(["ledger", "check", str(path)]) == EXIT_FAULT


def test_a_run_without_an_end_is_told(path: Path) -> None:
    with Ledger(path) as ledger:
        ledger.begin_run(head() | {"id": "r02"})
    assert "run r02 has no end: a death (go on with it: --resume), or a night under way" in look(path).facts


def test_a_copy_made_while_a_night_is_writing_is_whole(path: Path, tmp_path: Path) -> None:
    """What was committed before the copy began is in it; it is one file and sound; the writer never waits for long."""
    stop, kept = threading.Event(), []

    def write() -> None:
        with Ledger(path) as ledger:
            ledger.begin_run(head() | {"id": "r02"})
            while not stop.is_set():
                ledger.keep_point("r02", point(f"p{len(kept):04}"), [TOLD])
                kept.append(f"p{len(kept):04}")

    writer = threading.Thread(target=write)
    writer.start()
    try:
        while len(kept) < 20:
            pass
        before = len(kept)
        backup(path, tmp_path / "copy.sqlite")
    finally:
        stop.set()
        writer.join()
    alone = tmp_path / "elsewhere"
    alone.mkdir()
    shutil.move(tmp_path / "copy.sqlite", alone / "copy.sqlite")
    with Ledger(alone / "copy.sqlite", read_only=True) as copy:
        assert copy.integrity() == []
        held = [one["id"] for one in copy.results(["r02"])["runs"][0]["points"]]
    assert held[:before] == kept[:before]
    assert held == kept[: len(held)]
    assert not list(tmp_path.glob("copy.sqlite*"))


def test_a_copy_never_overwrites(path: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "there.sqlite").write_text("mine")
    assert main(["ledger", "backup", str(path), "--to", str(tmp_path / "there.sqlite")]) == EXIT_REFUSED
    assert (tmp_path / "there.sqlite").read_text() == "mine"
    assert "--to" in capsys.readouterr().err
    assert main(["ledger", "backup", str(path), "--to", str(tmp_path / "no" / "folder")]) == EXIT_REFUSED


def test_tidy_takes_old_files_and_confirmed_messages_and_nothing_else(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Ledger(path, read_only=True) as ledger:
        results = ledger.results()
    assert main(["ledger", "tidy", str(path), "--older-than", "0"]) == EXIT_DONE
    assert (path.parent / "traces" / "r01+p001+accepted.npz").exists(), "without --yes nothing goes"
    assert main(["ledger", "tidy", str(path), "--older-than", "0", "--yes"]) == EXIT_DONE
    assert "1 traces, 1 points' shots, 1 confirmed messages" in capsys.readouterr().out
    assert [one.name for one in (path.parent / "traces").iterdir()] == ["r02+p001+accepted.npz"]
    assert list((path.parent / "shots").iterdir()) == []
    with Ledger(path) as ledger:
        assert ledger.results() == results
        assert [message.state for message in ledger.outbox()] == ["sent"], "what nobody confirmed stays"
        last = ledger.outbox()[-1].seq
        assert ledger.keep_messages([TOLD]) == (last + 1,), "a number is never given again"


def test_what_is_not_old_enough_stays(path: Path) -> None:
    """By time and not by text: one second before the run's end in another offset from UTC."""
    elsewhere = (ENDED - timedelta(seconds=1)).astimezone(UTC)
    found = old(path, elsewhere)
    assert (found.traces, found.shots, found.messages) == ((), (), 0)
    later = old(path, (ENDED + timedelta(seconds=1)).astimezone(UTC))
    assert (len(later.traces), len(later.shots), later.messages, later.bytes()) == (1, 1, 1, 1500)


def test_nothing_goes_while_a_night_is_writing(path: Path) -> None:
    later = ENDED + timedelta(days=1)
    with Ledger(path), pytest.raises(InputRefused):
        drop(path, old(path, later), later)
    assert (path.parent / "traces" / "r01+p001+accepted.npz").exists()


def test_a_small_disk_is_refused_before_the_night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that is handed in: exactly enough is enough, a byte less is not."""
    free = SPARE_BYTES + 1000
    monkeypatch.setattr(shutil, "disk_usage", lambda place: Usage(2 * free, free, free))
    refuse_small_disk(tmp_path / "not" / "yet", 1000)
    with pytest.raises(InputRefused) as refused:
        refuse_small_disk(tmp_path / "not" / "yet", 1001)
    assert "--out" in str(refused.value)


def test_a_night_on_a_filling_disk_ends_while_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From some point on the disk has less than a night's end needs: what was kept is whole, the bench made safe."""
    asked = []

    def usage(place: object) -> Usage:
        asked.append(place)
        return Usage(10**12, 0, 10**12 if len(asked) < 5 else 1000)

    monkeypatch.setattr(shutil, "disk_usage", usage)
    assert main(["dry-run", "demo", "--out", str(tmp_path / "night")]) == EXIT_FAULT
    out = capsys.readouterr().out
    assert "free on the disk" in out
    assert "made safe, confirmed" in out
    with Ledger(tmp_path / "night" / "ledger.sqlite", read_only=True) as ledger:
        runs = ledger.results()["runs"]
    assert [len(run["points"]) for run in runs] == [4], "four were kept, then the disk was found full"
    monkeypatch.setattr(shutil, "disk_usage", lambda place: Usage(1, 1, 1000))
    with pytest.raises(LedgerFull):
        refuse_full(tmp_path)


def test_stamps_do_not_follow_a_clock_that_is_set(monkeypatch: pytest.MonkeyPatch) -> None:
    """A night's stamps count on from its begin by a clock that nobody sets (clock_gettime(2), CLOCK_MONOTONIC): the
    wall clock, set by a year, changes nothing."""
    import time

    from sequencer.clock import RealClock

    stamps = Stamps(RealClock(), datetime(2026, 1, 5, 22, 0, tzinfo=UTC))
    before = datetime.fromisoformat(stamps.now())
    wall = time.time
    monkeypatch.setattr(time, "time", lambda: wall() + 365 * 86400.0)
    monkeypatch.setattr(time, "time_ns", lambda: int((wall() + 365 * 86400.0) * 1e9))
    after = datetime.fromisoformat(stamps.now())
    assert timedelta(0) <= after - before < timedelta(minutes=1)
