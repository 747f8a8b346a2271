"""What is to be measured, in order: entries in the ledger that any process may add to while a night is kept in it.

Each change is one short commit of its own; nobody holds the file in between, so that the night's writer never waits
long. Synchronous: a command, or the daemon while nothing is energised, calls it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import LedgerOrder, plain_words
from sequencer.ledger.opening import commit, open_for_reading, open_for_writing
from sequencer.ledger.plain import from_json, row_to_line
from sequencer.ledger.rows import Row, checked

QueueState = Literal["waiting", "taken", "held", "done", "removed"]
AfterTrip = Literal["go on", "stop", "hold the rest"]
STATES: tuple[QueueState, ...] = ("waiting", "taken", "held", "done", "removed")
AFTER_TRIP: tuple[AfterTrip, ...] = ("go on", "stop", "hold the rest")
LABELS = ("as received", "after repair", "after closing the case")  # the usual ones; any other text will do
MOST_REPEATS = 99
COLUMNS = "number, state, added, asked, runs, times_done, why"
BUSY_S = 5.0

Text = Annotated[str, Field(max_length=2000)]
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class Asked(Row):
    """One unit under one plan, as it was added. plan, bench: absolute paths; unit: FILE[:SERIAL], absolute. The hashes
    are of the files as `check` had them. label: of the runs; empty: the plan's own. estimate_s: upper bound of one run,
    s, by `check`."""

    plan: str
    plan_sha256: Hash
    unit: str
    unit_sha256: Hash
    serial: str
    bay: str
    bench: str
    label: Annotated[str, Field(max_length=80)] = ""
    repeat: Annotated[int, Field(ge=1, le=MOST_REPEATS)] = 1
    after_trip: AfterTrip = "go on"
    note: Text = ""
    estimate_s: Annotated[float, Field(ge=0)]


class Entry(Asked):
    """An entry as it stands. added: RFC 3339. runs: ids of its runs, the latest last, those that were stopped too.
    times_done: those that were not. why: of what it waits for, or is held for, or how it ended."""

    number: int
    state: QueueState
    added: str
    runs: list[str]
    times_done: int = 0
    why: str | None = None

    @property
    def run_id(self) -> str | None:
        return self.runs[-1] if self.runs else None

    def asked(self) -> Asked:
        return Asked.model_validate({name: getattr(self, name) for name in Asked.model_fields})


class Queue:
    """`Queue(path)` opens a ledger for its queue, or makes one; many processes may at once. `read_only`: of a ledger
    that has no queue yet, an empty one.

    Raises InputRefused for a file that is no ledger of ours, a number that is not in the queue, or a state that does
    not allow what is asked; LedgerFault where the file can't be read or written.
    """

    def __init__(self, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S) -> None:
        self.path = Path(path)
        self._database = (open_for_reading if read_only else open_for_writing)(self.path, busy_s)

    def __enter__(self) -> Queue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._database.close()

    # --- reading ----------------------------------------------------------------------------------

    def entries(self, *states: QueueState) -> list[Entry]:
        """Those in one of the states (none named: all), in the order in which they are taken."""
        with plain_words(self.path):
            if not self._has_queue():
                return []
            wanted = states or STATES
            found = self._database.execute(
                f"SELECT {COLUMNS} FROM queue WHERE state IN ({', '.join('?' * len(wanted))}) ORDER BY place",
                wanted,
            )
            return [_entry(row) for row in found]

    def counts(self) -> dict[str, int]:
        """How many entries are in each state."""
        counts: dict[str, int] = dict.fromkeys(STATES, 0)
        with plain_words(self.path):
            if self._has_queue():
                counts |= self._database.execute("SELECT state, count(*) FROM queue GROUP BY state").fetchall()
        return counts

    def entry(self, number: int) -> Entry:
        return self._named(number, "number")

    # --- for people -------------------------------------------------------------------------------

    def add(self, every: Sequence[Asked | Mapping[str, Any]], at: str) -> list[int]:
        """All of them behind what is there, or none; returns their numbers. at: RFC 3339."""
        rows = [row_to_line(checked(Asked, one).model_dump()) for one in every]
        with self._commit():
            return [self._insert(row, at) for row in rows]

    def move(self, number: int, before: int) -> None:
        """Entry `number` is taken just before entry `before`."""
        with self._commit():
            moved, other = self._open(number, "number"), self._open(before, "--before")
            order = [row[0] for row in self._database.execute("SELECT number FROM queue ORDER BY place")]
            if moved.number != other.number:
                order.remove(moved.number)
                order.insert(order.index(other.number), moved.number)
            for place, one in enumerate(order, start=1):
                self._database.execute("UPDATE queue SET place = ? WHERE number = ?", (place, one))

    def hold(self, number: int | None, why: str) -> list[int]:
        """Not taken until `go_on`. None: all that wait. Returns the numbers held."""
        with self._commit():
            return self._turn(number, "waiting", "held", why)

    def go_on(self, number: int, asked: Asked) -> None:
        """A held entry waits again, with its files as they are now (`asked`)."""
        with self._commit():
            self._turn(number, "held", "waiting", None)
            self._database.execute(
                "UPDATE queue SET asked = ? WHERE number = ?", (row_to_line(asked.model_dump()), number)
            )

    def remove(self, number: int) -> None:
        with self._commit():
            self._open(number, "number")
            self._set(number, "removed", None)

    # --- for the daemon ---------------------------------------------------------------------------

    def note(self, number: int, why: str) -> None:
        """What a waiting entry waits for."""
        with self._commit():
            self._database.execute("UPDATE queue SET why = ? WHERE number = ? AND state = 'waiting'", (why, number))

    def put_on_hold(self, number: int, why: str) -> None:
        """A waiting entry that can't be taken; nothing where it no longer waits."""
        with self._commit():
            self._database.execute(
                "UPDATE queue SET state = 'held', why = ? WHERE number = ? AND state = 'waiting'", (why, number)
            )

    def take(self, number: int, run_id: str) -> bool:
        """The entry's run begins. False where it no longer waits: a person was quicker."""
        with self._commit():
            entry = self._named(number, "number")
            if entry.state != "waiting":
                return False
            self._set(number, "taken", None, [*entry.runs, run_id])
            return True

    def ended(self, number: int, state: Literal["done", "held"], why: str | None) -> QueueState:
        """The run of a taken entry is over. `done` turns to `waiting` as long as it is to be repeated. Returns the
        state it has then."""
        with self._commit():
            entry = self._named(number, "number")
            if entry.state != "taken":
                raise LedgerOrder(f"{self.path.name}: entry {number} is {entry.state}, not taken")
            times = entry.times_done + (state == "done")
            now: QueueState = "waiting" if state == "done" and times < entry.repeat else state
            self._set(number, now, why)
            self._database.execute("UPDATE queue SET times_done = ? WHERE number = ?", (times, number))
            return now

    # --- the file ---------------------------------------------------------------------------------

    def _has_queue(self) -> bool:
        found = self._database.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'queue'")
        return found.fetchone() is not None

    def _insert(self, row: str, at: str) -> int:
        place = "(SELECT coalesce(max(place), 0) + 1 FROM queue)"
        made = self._database.execute(
            f"INSERT INTO queue (place, state, added, asked, runs) VALUES ({place}, 'waiting', ?, ?, '[]')", (at, row)
        )
        return int(made.lastrowid or 0)

    def _turn(self, number: int | None, was: QueueState, to: QueueState, why: str | None) -> list[int]:
        found = self.entries(was) if number is None else [self._named(number, "number")]
        for entry in found:
            if entry.state != was:
                raise self._refused("number", str(entry.number), f"it is {entry.state}; only what is {was} can be {to}")
            self._set(entry.number, to, why)
        return [entry.number for entry in found]

    def _set(self, number: int, state: QueueState, why: str | None, runs: Sequence[str] | None = None) -> None:
        told = None if runs is None else json.dumps(list(runs))
        self._database.execute(
            "UPDATE queue SET state = ?, why = ?, runs = coalesce(?, runs) WHERE number = ?", (state, why, told, number)
        )

    def _open(self, number: int, key: str) -> Entry:
        """One that is still to be measured. Raises InputRefused."""
        entry = self._named(number, key)
        if entry.state not in ("waiting", "held"):
            raise self._refused(key, str(number), f"it is {entry.state}; name one that is waiting or held")
        return entry

    def _named(self, number: int, key: str) -> Entry:
        found = self._database.execute(f"SELECT {COLUMNS} FROM queue WHERE number = ?", (number,)).fetchone()
        if found is None:
            raise self._refused(key, str(number), "no such entry; `nightramp queue list` names them")
        return _entry(found)

    def _refused(self, key: str, value: str, remedy: str) -> InputRefused:
        return InputRefused([Problem(str(self.path), f"queue {key}", value, remedy)])

    def _commit(self) -> AbstractContextManager[None]:
        return commit(self._database, self.path)


def _entry(row: sqlite3.Row | tuple[Any, ...]) -> Entry:
    number, state, added, asked, runs, times, why = row
    told = {"number": number, "state": state, "added": added, "runs": from_json(runs), "times_done": times, "why": why}
    return Entry.model_validate(from_json(asked) | told)
