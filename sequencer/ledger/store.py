"""The ledger: what was measured, and what is to be told of it, in one SQLite file.

Synchronous, and owned by the one thread that opened it: everything durable goes through that thread, one call at a
time, in order. A call that returned is on the disk; a call that raised has left nothing behind.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import Any

from sequencer.ledger import outbox
from sequencer.ledger.faults import LedgerOrder, plain_words
from sequencer.ledger.opening import WriterLock, commit, open_for_reading, open_for_writing, roll_back
from sequencer.ledger.outbox import Outgoing, State
from sequencer.ledger.plain import from_json, row_to_line
from sequencer.ledger.rows import (
    FindingRow,
    Message,
    PointRow,
    Row,
    RunHead,
    RunOutcome,
    RunRow,
    TripRow,
    checked,
)

BUSY_S = 5.0


class Ledger:
    """`Ledger(path)` opens or creates; a second writer is refused (InputRefused), a `read_only` one is not.

    Raises faults.LedgerFull, LedgerBusy, LedgerBroken, LedgerUnwritable, LedgerOrder; plain.RowRefused for a row
    that format 1 does not allow.
    """

    def __init__(self, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S, pages_at_most: int = 0) -> None:
        """pages_at_most: the file may not grow beyond so many pages of 4 KiB (0: as far as the disk goes)."""
        self.path = Path(path)
        self._lock = None if read_only else WriterLock.take(self.path)
        try:
            self._database = (open_for_reading if read_only else open_for_writing)(self.path, busy_s)
        except BaseException:
            self._let_go()
            raise
        if pages_at_most:
            self._database.execute(f"PRAGMA max_page_count = {int(pages_at_most)}")

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- keeping ----------------------------------------------------------------------------------

    def begin_run(self, head: RunHead | Mapping[str, Any], messages: Sequence[Message] = ()) -> None:
        """Keeps the run's head; its id must be new."""
        kept = checked(RunHead, head)
        with self._commit():
            self._insert(
                "INSERT INTO run (id, head) VALUES (?, ?)",
                (kept.id, _line(kept)),
                f"run {kept.id} has begun already",
            )
            outbox.put(self._database, kept.id, messages)

    def resume_run(self, head: RunHead | Mapping[str, Any], messages: Sequence[Message] = ()) -> None:
        """The head of a run that has no end, with one more entry of `resumed`, or more in the last one."""
        kept = checked(RunHead, head)
        with self._commit():
            self._refuse_unless_open(kept.id)
            self._database.execute("UPDATE run SET head = ? WHERE id = ?", (_line(kept), kept.id))
            outbox.put(self._database, kept.id, messages)

    def keep_point(
        self, run_id: str, row: PointRow | Mapping[str, Any], messages: Sequence[Message] = ()
    ) -> tuple[int, ...]:
        """The point's row and its messages in one commit; returns their numbers. A point is kept once."""
        kept = checked(PointRow, row)
        with self._commit():
            self._refuse_unless_open(run_id)
            self._insert(
                "INSERT INTO point (run_id, id, row) VALUES (?, ?, ?)",
                (run_id, kept.id, _line(kept)),
                f"point {kept.id} of run {run_id} is kept already",
            )
            return outbox.put(self._database, run_id, messages)

    def keep_trip(
        self, run_id: str, row: TripRow | Mapping[str, Any], messages: Sequence[Message] = ()
    ) -> tuple[int, ...]:
        """A trip, also after the run's end: making safe may end later than the run."""
        return self._keep_beside("trip", run_id, checked(TripRow, row), messages)

    def keep_finding(
        self, run_id: str, row: FindingRow | Mapping[str, Any], messages: Sequence[Message] = ()
    ) -> tuple[int, ...]:
        """A finding: something a person should know."""
        return self._keep_beside("finding", run_id, checked(FindingRow, row), messages)

    def _keep_beside(self, table: str, run_id: str, row: Row, messages: Sequence[Message]) -> tuple[int, ...]:
        with self._commit():
            self._state_of(run_id)
            self._database.execute(f"INSERT INTO {table} (run_id, row) VALUES (?, ?)", (run_id, _line(row)))
            return outbox.put(self._database, run_id, messages)

    def keep_messages(self, messages: Sequence[Message], run_id: str | None = None) -> tuple[int, ...]:
        """Messages that tell of no row, such as the bench's state."""
        with self._commit():
            return outbox.put(self._database, run_id, messages)

    def end_run(self, run_id: str, ended: str, outcome: RunOutcome, messages: Sequence[Message] = ()) -> None:
        """ended: RFC 3339. A run without an end reads as unfinished."""
        with self._commit():
            self._refuse_unless_open(run_id)
            self._database.execute("UPDATE run SET ended = ?, outcome = ? WHERE id = ?", (ended, outcome, run_id))
            outbox.put(self._database, run_id, messages)

    def keep_load_heat(self, heat: Mapping[tuple[str, str], tuple[float, str]]) -> None:
        """By load and channel: how many K above the room at most, and when, RFC 3339. The latest word counts."""
        with self._commit():
            self._database.executemany(
                "INSERT OR REPLACE INTO load_heat VALUES (?, ?, ?, ?)", [(*key, *told) for key, told in heat.items()]
            )

    def mark_suspect(self, why: str) -> None:
        """The whole night's numbers are in doubt; the first reason stands."""
        with self._commit():
            self._database.execute("UPDATE book SET suspect = coalesce(suspect, ?)", (why,))

    # --- reading ----------------------------------------------------------------------------------

    def runs(self, run_ids: Iterable[str] | None = None) -> list[dict[str, Any]]:
        """Heads of all runs, or of those named, in the order they began, each with `ended` and `outcome`."""
        named = "" if run_ids is None else " WHERE id IN (SELECT value FROM json_each(?))"
        values = () if run_ids is None else (json.dumps(list(run_ids)),)
        with plain_words(self.path):
            found = self._database.execute(
                f"SELECT head, ended, coalesce(outcome, 'unfinished') FROM run{named} ORDER BY number", values
            )
            return [from_json(head) | {"ended": ended, "outcome": outcome} for head, ended, outcome in found]

    def last_told(self) -> tuple[int, str | None]:
        """Number of the last message, and the latest time that any message still here tells, RFC 3339."""
        with plain_words(self.path):
            seq = int(self._database.execute("SELECT seq FROM book").fetchone()[0])
            found = self._database.execute("SELECT payload FROM outbox ORDER BY seq DESC LIMIT 1").fetchone()
        return seq, None if found is None else str(from_json(found[0])["time"])

    def results(self, run_ids: Iterable[str] | None = None) -> dict[str, Any]:
        """Format 1 of all runs, or of those named. Raises LedgerOrder for a run that is not there."""
        with self._one_view():
            wanted = None if run_ids is None else set(run_ids)
            heads = self.runs(wanted)
            for missing in sorted((wanted or set()) - {head["id"] for head in heads}):
                raise LedgerOrder(f"{self.path.name}: no run {missing}")
            suspect = self._database.execute("SELECT suspect FROM book").fetchone()[0]
            return {"format": 1, "runs": [self._whole(head) for head in heads], "suspect": suspect}

    def load_heat(self) -> dict[tuple[str, str], tuple[float, str]]:
        """As last kept; nothing of loads that were never warm."""
        with plain_words(self.path):
            found = self._database.execute("SELECT load, channel, rise_k, at FROM load_heat ORDER BY load, channel")
            return {(load, channel): (rise_k, at) for load, channel, rise_k, at in found}

    def suspect(self) -> str | None:
        """Why the numbers of the whole ledger are in doubt, if they are."""
        with plain_words(self.path):
            found: str | None = self._database.execute("SELECT suspect FROM book").fetchone()[0]
            return found

    def whole_after(self, number: int, also: Sequence[int] = ()) -> Iterator[tuple[int, bool, dict[str, Any]]]:
        """(number, whether it has ended, run) of the runs numbered above it and of those named, each as `results` has
        it; not checked once more: they were when they were kept."""
        wanted = f"number > {int(number)} OR number IN ({', '.join(str(int(one)) for one in also)})"
        with plain_words(self.path):
            beside: dict[str, dict[str, list[Any]]] = {"trip": {}, "finding": {}}
            for table, told in beside.items():  # neither has an index by run: one pass, not one for each run
                rows = f"SELECT run_id, row FROM {table} WHERE run_id IN (SELECT id FROM run WHERE {wanted})"
                for run_id, text in self._database.execute(f"{rows} ORDER BY number"):
                    told.setdefault(run_id, []).append(from_json(text))
            found = self._database.execute(
                f"SELECT number, head, ended, coalesce(outcome, 'unfinished') FROM run WHERE {wanted} ORDER BY number"
            )
            for own, text, ended, outcome in found:
                head = from_json(text) | {"ended": ended, "outcome": outcome}
                parts = {f"{table}s": told.get(head["id"], []) for table, told in beside.items()}
                yield own, ended is not None, head | parts | {"points": self._rows("point", head["id"])}

    def _whole(self, head: dict[str, Any]) -> dict[str, Any]:
        parts = {f"{table}s": self._rows(table, head["id"]) for table in ("point", "trip", "finding")}
        return checked(RunRow, head | parts).model_dump()

    def _rows(self, table: str, run_id: str) -> list[dict[str, Any]]:
        found = self._database.execute(f"SELECT row FROM {table} WHERE run_id = ? ORDER BY number", (run_id,))
        return [from_json(text) for (text,) in found]

    def last_trip(self) -> dict[str, Any] | None:
        """The latest trip of all runs, with `run` and `unit`, its serial."""
        with plain_words(self.path):
            found = self._database.execute(
                "SELECT trip.row, run.id, run.head FROM trip JOIN run ON run.id = trip.run_id"
                " ORDER BY trip.number DESC LIMIT 1"
            ).fetchone()
        if found is None:
            return None
        row, run_id, head = found
        return dict(from_json(row)) | {"run": run_id, "unit": from_json(head)["unit"]["serial"]}

    # --- the outbox -------------------------------------------------------------------------------

    def outbox(self, after: int = 0, limit: int = -1, only_pending: bool = False) -> list[Outgoing]:
        """Messages numbered above `after` in order; limit -1: all; only_pending: those no broker has."""
        with plain_words(self.path):
            return outbox.after(self._database, after, limit, only_pending)

    def mark_sent(self, seqs: Iterable[int], at: str) -> int:
        """A broker has them. Returns how many were news."""
        with self._commit():
            return outbox.mark_sent(self._database, seqs, at)

    def confirm(self, spans: Iterable[tuple[int, int]], published: int, at: str) -> int:
        """A consumer has these spans, as far as they were published. Returns how many were news."""
        with self._commit():
            return outbox.confirm(self._database, spans, published, at)

    def messages_between(self, first: int, last: int, limit: int) -> list[Outgoing]:
        """Those numbered so that are still kept, in order, at most `limit`."""
        with plain_words(self.path):
            return outbox.between(self._database, first, last, limit)

    def identity(self) -> str:
        """What tells this ledger's numbers from those of any other."""
        with plain_words(self.path):
            return outbox.identity(self._database)

    def sent_to(self) -> int:
        """The highest number of a message that a broker has, of those still kept; 0: none."""
        with plain_words(self.path):
            return outbox.sent_to(self._database)

    def message_counts(self) -> dict[State, int]:
        """How many messages are pending, sent, confirmed."""
        with plain_words(self.path):
            return outbox.counts(self._database)

    def confirmed_before(self, when: datetime) -> int:
        """How many messages a consumer had before."""
        with plain_words(self.path):
            return outbox.confirmed_before(self._database, when)

    def forget_confirmed(self, when: datetime) -> int:
        """Messages that a consumer had before go; their numbers are never given again. Returns how many."""
        with self._commit():
            return outbox.forget_confirmed(self._database, when)

    # --- the file ---------------------------------------------------------------------------------

    def integrity(self) -> list[str]:
        """What SQLite finds wrong with the file, and references that lead nowhere; empty when sound."""
        with plain_words(self.path):
            told = [str(row[0]) for row in self._database.execute("PRAGMA integrity_check")]
            loose = [
                f"{row[0]}: row {row[1]} names no {row[2]}"
                for row in self._database.execute("PRAGMA foreign_key_check")
            ]
        return [line for line in told if line != "ok"] + loose

    def checkpoint(self) -> None:
        """Moves the journal into the file itself: at a run's end. Readers may hold it back, harmlessly."""
        with plain_words(self.path):
            self._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")

    def close(self) -> None:
        """Once or more often."""
        try:
            self._database.close()
        finally:
            self._let_go()

    def _let_go(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            lock.release()

    def _commit(self) -> AbstractContextManager[None]:
        return commit(self._database, self.path)

    @contextmanager
    def _one_view(self) -> Iterator[None]:
        """All reads inside see one moment, though a writer goes on beside."""
        with plain_words(self.path):
            self._database.execute("BEGIN")
            try:
                yield
            finally:
                roll_back(self._database)

    def _insert(self, statement: str, values: tuple[str, ...], twice: str) -> None:
        try:
            self._database.execute(statement, values)
        except sqlite3.IntegrityError:
            raise LedgerOrder(f"{self.path.name}: {twice}") from None

    def _state_of(self, run_id: str) -> str | None:
        found = self._database.execute("SELECT outcome FROM run WHERE id = ?", (run_id,)).fetchone()
        if found is None:
            raise LedgerOrder(f"{self.path.name}: run {run_id} was never begun")
        outcome: str | None = found[0]
        return outcome

    def _refuse_unless_open(self, run_id: str) -> None:
        if self._state_of(run_id) is not None:
            raise LedgerOrder(f"{self.path.name}: run {run_id} has ended")


def _line(row: Row) -> str:
    return row_to_line(row.model_dump())
