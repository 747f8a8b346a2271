"""The index of figures: what comparisons need of ten thousand runs, in one small SQLite file beside them.

Nothing stands in it that is not in the ledgers and results it was made from: it may be thrown away at any time. It
takes in only what is new since it was last opened. Where its folder can't be written it lives in memory, for once.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

from sequencer.comparing.figures import Measured, from_text, measured, to_text
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import plain_words
from sequencer.ledger.opening import LEDGER_NAME, read_as_input
from sequencer.ledger.results import RESULTS_NAME, read_results
from sequencer.ledger.store import Ledger

INDEX_NAME = "figures.sqlite"
APPLICATION_ID = 0x4E524649  # "NRFI": tells our files from other SQLite files
VERSION = 2  # of tables and of what is put in them; another one is made anew
DEPTH = 4  # folders below the one that is named
BUSY_S = 5.0
LAST_AGAIN = 2  # ended runs read once more: a trip may be kept after its run's end

TABLES = (
    """CREATE TABLE source (
        place TEXT PRIMARY KEY, stamp TEXT NOT NULL, last_number INTEGER NOT NULL, open TEXT NOT NULL, suspect TEXT
    ) STRICT""",
    """CREATE TABLE run (
        number INTEGER PRIMARY KEY,
        place TEXT NOT NULL REFERENCES source (place),
        id TEXT NOT NULL, serial TEXT NOT NULL, model TEXT NOT NULL, begun TEXT NOT NULL, label TEXT NOT NULL,
        healthy INTEGER NOT NULL, reference INTEGER NOT NULL,
        told TEXT NOT NULL, figures TEXT NOT NULL,
        UNIQUE (id, serial, begun)
    ) STRICT""",
    "CREATE INDEX run_of_unit ON run (serial, begun)",
    "CREATE INDEX run_of_model ON run (model, healthy, begun)",
    "CREATE INDEX run_by_date ON run (begun)",
    "CREATE INDEX run_of_reference ON run (serial, begun) WHERE reference = 1",
)
COLUMNS = "place, id, serial, model, begun, label, healthy, reference, told, figures"


@dataclass(frozen=True)
class Source:
    """One ledger or results file. stamp: changes whenever its content may have."""

    path: Path
    stamp: str

    @property
    def is_ledger(self) -> bool:
        return self.path.suffix == Path(LEDGER_NAME).suffix


class Index:
    """All runs below one place. Opened, it is brought up to date."""

    def __init__(self, place: Path) -> None:
        """place: a ledger, results.json, or a folder of any of them, some levels deep. Raises InputRefused."""
        by_name = place.is_file() and place.name in (LEDGER_NAME, RESULTS_NAME)
        self.place = place.parent if by_name else place
        found = sources(self.place)
        if not found:
            remedy = f"name a folder with {LEDGER_NAME} or {RESULTS_NAME} in it, or above such folders"
            raise InputRefused([Problem("command line", "RUN", str(place), remedy)])
        file = self.place / INDEX_NAME if self.place.is_dir() else None  # of results under another name: in memory
        new = file is not None and not file.exists()
        with plain_words(file or self.place):
            self._database = _opened(file)
            try:
                self._refresh(found)
            except BaseException:
                self._database.close()
                if file is not None and new:  # refused: nothing written
                    file.unlink(missing_ok=True)
                raise

    def __enter__(self) -> Index:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._database.close()

    # --- asked ------------------------------------------------------------------------------------

    def count(self) -> int:
        return int(self._database.execute("SELECT count(*) FROM run").fetchone()[0])

    def of_unit(self, serial: str) -> list[Measured]:
        """All its runs by date."""
        return self._runs("serial = ? ORDER BY begun, number", (serial,))

    def of_model(self, model: str, at_most: int) -> list[Measured]:
        """The newest healthy run of each unit of the model, of at most so many runs back."""
        found = self._runs("model = ? AND healthy = 1 ORDER BY begun DESC, number DESC LIMIT ?", (model, at_most))
        return _one_of_each(found)

    def last_units(self, at_most: int) -> list[Measured]:
        """The newest run of each of the last so many units, by date."""
        numbers = self._database.execute(
            "SELECT number FROM (SELECT number, serial, begun, row_number() OVER"
            " (PARTITION BY serial ORDER BY begun DESC, number DESC) AS back FROM run) WHERE back = 1"
            " ORDER BY begun DESC, number DESC LIMIT ?",
            (at_most,),
        )
        wanted = [str(number) for (number,) in numbers]
        return self._runs(f"number IN ({', '.join(wanted)}) ORDER BY begun, number", ())

    def references(self) -> list[str]:
        """Serials of the units that were measured as a reference, the most often measured one first."""
        found = self._database.execute(
            "SELECT serial FROM run WHERE reference = 1 GROUP BY serial ORDER BY count(*) DESC, serial"
        )
        return [str(serial) for (serial,) in found]

    def serials(self, at_most: int = -1) -> list[str]:
        found = self._database.execute("SELECT DISTINCT serial FROM run ORDER BY serial LIMIT ?", (at_most,))
        return [str(serial) for (serial,) in found]

    def units(self) -> int:
        return int(self._database.execute("SELECT count(DISTINCT serial) FROM run").fetchone()[0])

    def _runs(self, where: str, values: tuple[object, ...]) -> list[Measured]:
        with plain_words(self.place):
            return [
                _measured(row) for row in self._database.execute(f"SELECT {COLUMNS} FROM run WHERE {where}", values)
            ]

    # --- kept up to date --------------------------------------------------------------------------

    def _refresh(self, found: Sequence[Source]) -> None:
        known = dict(self._database.execute("SELECT place, stamp FROM source").fetchall())
        here = {str(one.path) for one in found}
        gone = set(known) - here
        # What stood in a place that is gone may stand in a copy of it that was passed over: all is read once more.
        changed = found if gone else [one for one in found if known.get(str(one.path)) != one.stamp]
        if not changed:
            return
        self._database.execute("BEGIN IMMEDIATE")
        try:
            for place in sorted(known) if gone else ():
                self._forget(place)
            for one in changed:
                self._take_in(one)
            self._database.execute("COMMIT")
        except BaseException:
            if self._database.in_transaction:
                self._database.execute("ROLLBACK")
            raise

    def _forget(self, place: str) -> None:
        self._database.execute("DELETE FROM run WHERE place = ?", (place,))
        self._database.execute("DELETE FROM source WHERE place = ?", (place,))

    def _take_in(self, source: Source) -> None:
        if source.is_ledger:
            with read_as_input(source.path), Ledger(source.path, read_only=True) as ledger:
                self._take_in_ledger(source, ledger)
            return
        results = read_results(source.path)
        self._forget(str(source.path))
        self._note(source, 0, (), results.get("suspect"))
        for run in results["runs"]:
            self._keep(str(source.path), run, results.get("suspect"))

    def _take_in_ledger(self, source: Source, ledger: Ledger) -> None:
        """What is new in it, what had no end yet, and its last runs once more."""
        place, suspect = str(source.path), ledger.suspect()
        row = self._database.execute(
            "SELECT last_number, open, suspect FROM source WHERE place = ?", (place,)
        ).fetchone()
        if row is not None and row[2] != suspect:  # all of it came into doubt: no run of it is healthy any more
            self._forget(place)
            row = None
        last, unended = (row[0], json.loads(row[1])) if row else (0, [])
        self._note(source, last, unended, suspect)
        still, highest = [], last
        for number, ended, run in ledger.whole_after(last - LAST_AGAIN, unended):
            self._keep(place, run, suspect)
            highest = max(highest, number)
            still += [] if ended else [number]
        self._note(source, highest, still, suspect)

    def _note(self, source: Source, last: int, unended: Sequence[int], suspect: str | None) -> None:
        self._database.execute(
            "INSERT INTO source VALUES (?, ?, ?, ?, ?) ON CONFLICT (place) DO UPDATE SET stamp = excluded.stamp,"
            " last_number = excluded.last_number, open = excluded.open, suspect = excluded.suspect",
            (str(source.path), source.stamp, last, json.dumps(list(unended)), suspect),
        )

    def _keep(self, place: str, run: dict[str, Any], suspect: str | None) -> None:
        """A run that stands in a copy too is kept once, as it was read first."""
        one = measured(run, suspect)
        told = {name: getattr(one, name) for name in ("bench", "bench_sha256", "plan", "outcome", "simulated", "marks")}
        self._database.execute(
            f"INSERT INTO run ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT (id, serial, begun) DO UPDATE SET healthy = excluded.healthy, told = excluded.told,"
            " figures = excluded.figures WHERE run.place = excluded.place",
            (
                place, one.id, one.serial, one.model, one.begun, one.label, one.healthy, one.reference,
                json.dumps(told, separators=(",", ":")), to_text(one.figures),
            ),
        )  # fmt: skip


def _one_of_each(newest_first: Sequence[Measured]) -> list[Measured]:
    kept: dict[str, Measured] = {}
    for run in newest_first:
        kept.setdefault(run.serial, run)
    return list(kept.values())[::-1]


def _measured(row: tuple[Any, ...]) -> Measured:
    place, id, serial, model, begun, label, healthy, reference, told, found = row
    return Measured(
        id=id, serial=serial, model=model, begun=begun, label=label, healthy=bool(healthy), reference=bool(reference),
        figures=from_text(found), place=place, **json.loads(told),
    )  # fmt: skip


def _opened(path: Path | None) -> sqlite3.Connection:
    """Ours, or a new one in its place where it is of another version; in memory where it can't be written."""
    try:
        if path is not None:
            return _ours(path)
    except sqlite3.OperationalError:
        pass
    except sqlite3.DatabaseError as error:
        remedy = f"damaged ({error}): remove it, it is made again"
        raise InputRefused([Problem(str(path), "index", INDEX_NAME, remedy)]) from None
    database = sqlite3.connect(":memory:", isolation_level=None)
    _make(database)
    return database


def _ours(path: Path) -> sqlite3.Connection:
    database = sqlite3.connect(path, isolation_level=None, timeout=BUSY_S)
    try:
        mark = int(database.execute("PRAGMA application_id").fetchone()[0])
        tables = int(database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
        if tables and mark != APPLICATION_ID:
            remedy = "another program's file: move it away, it stands where the index of figures belongs"
            raise InputRefused([Problem(str(path), "index", path.name, remedy)])
        # It can be made anew at any time: it need not be on the disk before it is used.
        database.execute("PRAGMA synchronous = OFF")
        _make(database)
    except BaseException:
        database.close()
        raise
    return database


def _make(database: sqlite3.Connection) -> None:
    """Tables of this version, where there are others or none: in one step, since another process may be at it too."""
    database.execute("BEGIN IMMEDIATE")
    if int(database.execute("PRAGMA user_version").fetchone()[0]) != VERSION:
        for name in ("run", "source"):
            database.execute(f"DROP TABLE IF EXISTS {name}")
        for statement in TABLES:
            database.execute(statement)
        database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        database.execute(f"PRAGMA user_version = {VERSION}")
    database.execute("COMMIT")


def sources(place: Path) -> list[Source]:
    """A ledger goes before the results that were written from it; folders by name."""
    if place.is_dir():
        return list(_in_folder(place, DEPTH))
    return [_source(place)] if place.is_file() else []


def _in_folder(folder: Path, depth: int) -> Iterator[Source]:
    """Links to folders are not followed: a ring of them has no end."""
    inner, names = [], set()
    try:
        with os.scandir(folder) as entries:
            for entry in entries:
                if entry.is_dir(follow_symlinks=False):
                    inner.append(entry.name)
                else:
                    names.add(entry.name)
    except OSError:
        return
    for name in (LEDGER_NAME, RESULTS_NAME):
        if name in names:
            yield _source(folder / name)
            inner = [one for one in inner if one not in ("traces", "shots", "sheets", "declared", "reanalysed")]
            break
    if depth:
        for name in sorted(inner):
            yield from _in_folder(folder / name, depth - 1)


def _source(path: Path) -> Source:
    """The stamp of a ledger has its journal in it: what is not yet in the file itself counts too."""
    told = []
    for one in (path, path.with_name(path.name + "-wal")) if path.suffix == Path(LEDGER_NAME).suffix else (path,):
        try:
            seen = one.stat()
            # Whoever looks into a ledger leaves an empty journal beside it: that is no change.
            told.append(f"{seen.st_mtime_ns} {seen.st_size}" if seen.st_size else "-")
        except OSError:
            told.append("-")
    return Source(path.absolute(), ", ".join(told))
