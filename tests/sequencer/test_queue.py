"""The queue in the ledger: states, order, who may change what; and that it lives beside a night's writer.

The states and what leads from one to the next are those of README's "Unattended"; no other source.
"""

from __future__ import annotations

import shutil
import sqlite3
import threading
from pathlib import Path

import pytest

from sequencer.errors import InputRefused
from sequencer.ledger.faults import LedgerOrder
from sequencer.ledger.queue import Asked, Queue
from sequencer.ledger.schema_sql import MIGRATIONS
from sequencer.ledger.store import Ledger

AT = "2026-03-10T18:00:00+00:00"
GOLDEN_LEDGER = Path(__file__).parent / "golden" / "ledger_format_1.sqlite"


def asked(serial: str = "MV-0117", **more: object) -> Asked:
    given = {"plan": "/p/first.toml", "plan_sha256": "0" * 64, "unit": "/u/a.toml", "unit_sha256": "1" * 64}
    given |= {"serial": serial, "bay": "1", "bench": "/b/workshop.toml", "estimate_s": 60.0}
    return Asked.model_validate(given | more)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite"


def order(queue: Queue) -> list[int]:
    return [one.number for one in queue.entries("waiting", "held")]


def test_an_entrys_way_through_its_states(path: Path) -> None:
    with Queue(path) as queue:
        assert queue.add([asked()], AT) == [1]
        assert queue.take(1, "r1")
        assert not queue.take(1, "r2"), "taken twice"
        assert queue.entry(1).run_id == "r1"
        assert queue.ended(1, "done", None) == "done"
    with Queue(path, read_only=True) as queue:
        (one,) = queue.entries("done")
        assert (one.runs, one.added, one.asked()) == (["r1"], AT, asked())
        assert queue.counts() == {"waiting": 0, "taken": 0, "held": 0, "done": 1, "removed": 0}


def test_repeats_wait_again_until_they_are_done(path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked(repeat=3)], AT)
        states = []
        for run in ("r1", "r2", "r3"):
            assert queue.take(1, run)
            states.append(queue.ended(1, "done", None))
        assert states == ["waiting", "waiting", "done"]
        assert queue.entry(1).runs == ["r1", "r2", "r3"]


def test_a_run_that_was_stopped_is_not_one_of_the_repeats(path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked(repeat=2)], AT)
        states = []
        for run, ends in (("r1", "done"), ("r2", "held"), ("r3", "done")):
            assert queue.take(1, run)
            states.append(queue.ended(1, ends, "why"))  # type: ignore[arg-type]
            if ends == "held":
                queue.go_on(1, asked(repeat=2))
        assert states == ["waiting", "held", "done"]
        assert (queue.entry(1).times_done, queue.entry(1).runs) == (2, ["r1", "r2", "r3"])


def test_move_puts_one_before_another(path: Path) -> None:
    """Any list of any language: take out, insert before."""
    with Queue(path) as queue:
        queue.add([asked(f"S{n}") for n in range(1, 6)], AT)
        for number, before, expected in ((4, 1, [4, 1, 2, 3, 5]), (4, 5, [1, 2, 3, 4, 5]), (2, 2, [1, 2, 3, 4, 5])):
            queue.move(number, before)
            assert order(queue) == expected
        queue.add([asked("S6")], AT)
        assert order(queue) == [1, 2, 3, 4, 5, 6]


def test_hold_and_go_on_with_the_files_as_they_are_then(path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked(), asked("MV-0122")], AT)
        assert queue.hold(None, "held by a person") == [1, 2]
        assert not queue.take(1, "r1")
        queue.go_on(2, asked("MV-0122", plan_sha256="2" * 64))
        assert [one.number for one in queue.entries("waiting")] == [2]
        assert queue.entry(2).plan_sha256 == "2" * 64
        assert (queue.entry(1).why, queue.entry(2).why) == ("held by a person", None)


def test_removed_ones_keep_their_number_for_ever(path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked(), asked()], AT)
        queue.remove(2)
        assert queue.add([asked()], AT) == [3]
        assert order(queue) == [1, 3]


@pytest.mark.parametrize(
    ("act", "words"),
    [
        (lambda q: q.move(1, 9), "no such entry"),
        (lambda q: q.move(9, 1), "no such entry"),
        (lambda q: q.remove(3), "taken"),
        (lambda q: q.move(3, 1), "taken"),
        (lambda q: q.move(1, 3), "taken"),
        (lambda q: q.hold(3, "x"), "taken"),
        (lambda q: q.go_on(1, asked()), "waiting"),
        (lambda q: q.remove(2), "removed"),
    ],
)
def test_what_a_state_does_not_allow_is_refused_and_changes_nothing(act: object, words: str, path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked(), asked(), asked()], AT)
        queue.remove(2)
        queue.take(3, "r1")
        before = queue.entries()
        with pytest.raises(InputRefused, match=words) as refused:
            act(queue)  # type: ignore[operator]
        assert all(problem.file == str(path) for problem in refused.value.problems)
        assert queue.entries() == before


def test_only_what_was_taken_ends(path: Path) -> None:
    with Queue(path) as queue:
        queue.add([asked()], AT)
        with pytest.raises(LedgerOrder):
            queue.ended(1, "done", None)


def test_all_of_several_are_added_or_none(path: Path) -> None:
    with Queue(path) as queue:
        with pytest.raises(Exception, match="repeat"):
            queue.add([asked(), dict(asked()) | {"repeat": 0}], AT)
        assert queue.entries() == []


def test_it_is_added_to_while_a_night_has_the_ledger_open(path: Path) -> None:
    """The writer's lock belongs to the night; sqlite.org/wal.html: one writer at a time, the other waits its turn."""
    with Ledger(path) as ledger, Queue(path) as queue:
        assert queue.add([asked()], AT) == [1]
        ledger.mark_suspect("still writable")
        assert queue.take(1, "r1")
        assert ledger.results()["suspect"] == "still writable"
        assert ledger.integrity() == []


def test_two_at_once_make_the_tables_once(path: Path) -> None:
    """Eight processes' worth of first openings: each waits its turn, and none finds a table that is there already."""
    errors: list[BaseException] = []
    ready = threading.Barrier(8)

    def one() -> None:
        try:
            ready.wait()
            with Queue(path) as queue:
                queue.add([asked()], AT)
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=one) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with Queue(path, read_only=True) as queue:
        assert order(queue) == list(range(1, 9))


def test_a_ledger_without_a_queue_has_an_empty_one_and_gets_one(path: Path) -> None:
    """The golden ledger was written before there were queues; its version is SQLite's user_version."""
    shutil.copyfile(GOLDEN_LEDGER, path)
    with Queue(path, read_only=True) as queue:
        assert queue.entries() == []
        assert sum(queue.counts().values()) == 0
    before = Ledger(path, read_only=True)
    results = before.results()
    before.close()
    with Queue(path) as queue:
        assert queue.add([asked()], AT) == [1]
    with Ledger(path, read_only=True) as ledger:
        assert ledger.results() == results
    found = sqlite3.connect(path)
    assert found.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
    found.close()


def test_the_last_trip_of_all_runs(path: Path) -> None:
    with Ledger(path) as ledger:
        assert ledger.last_trip() is None
    shutil.copyfile(GOLDEN_LEDGER, path.with_name("other.sqlite"))
    with Ledger(path.with_name("other.sqlite")) as ledger:
        for sentence in ("first", "second"):
            row = {"time": AT, "sentence": sentence, "cause": "unit"}
            ledger.keep_trip("r8faf4e42c5", row)
        trip = ledger.last_trip()
    assert trip is not None
    assert (trip["sentence"], trip["run"], trip["unit"]) == ("second", "r8faf4e42c5", "MV-0117")
