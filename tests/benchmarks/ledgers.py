"""A ledger of 10 to 10,000 runs: what keeping a point, opening it and reading its last runs cost, and how it grows."""

from __future__ import annotations

import json
import sqlite3
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sequencer.ledger.store import Ledger
from tests.benchmarks.table import Row, median_s
from tests.sequencer.ledger_rows import LATER, head, point

SIZES = (10, 100, 1000, 10_000)
POINTS = 12  # of each run
LAST = 100
KEPT = 60


def filled(path: Path, runs: int) -> list[str]:
    """A ledger of so many ended runs of as many units; their ids. Filled in one transaction: its making is not what is
    measured."""
    Ledger(path).close()
    ids = [f"r{number:05d}" for number in range(runs)]
    database = sqlite3.connect(path)
    with database:
        database.executemany(
            "INSERT INTO run (id, head, ended, outcome) VALUES (?, ?, ?, 'finished')",
            ((one, json.dumps(_head(one, at)), LATER) for at, one in enumerate(ids)),
        )
        rows = [(f"p{at:03d}", json.dumps(point(f"p{at:03d}"))) for at in range(POINTS)]
        database.executemany(
            "INSERT INTO point (run_id, id, row) VALUES (?, ?, ?)", ((one, *row) for one in ids for row in rows)
        )
    database.close()
    return ids


def _head(run_id: str, at: int) -> dict[str, Any]:
    return head(run_id, f"MV-{at:05d}")


def bare_keep_s(path: Path) -> float:
    """One insert of the same size in a commit as durable as a ledger's (WAL, FULL), in a file of its own."""
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("PRAGMA journal_mode = WAL")
    database.execute("PRAGMA synchronous = FULL")
    database.execute("CREATE TABLE point (number INTEGER PRIMARY KEY, row TEXT NOT NULL) STRICT")
    row = json.dumps(point())
    each = median_s(lambda: database.execute("INSERT INTO point (row) VALUES (?)", (row,)), KEPT)
    database.close()
    return each


def bare_read_s(path: Path, ids: Sequence[str]) -> float:
    """The same rows by SQL alone, each taken apart as JSON: what no reader can do without."""
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    marks = ",".join("?" * len(ids))

    def read() -> None:
        for (text,) in database.execute(f"SELECT row FROM point WHERE run_id IN ({marks})", ids):
            json.loads(text)

    each = median_s(read, 5)
    database.close()
    return each


def rows() -> list[Row]:
    found = list[Row]()
    with tempfile.TemporaryDirectory() as folder:
        bare_ms = 1e3 * bare_keep_s(Path(folder) / "bare.sqlite")
        for size in SIZES:
            path = Path(folder) / f"{size}.sqlite"
            ids = filled(path, size)
            found += _of_size(path, ids, bare_ms)
            path.unlink()
    return found


def _of_size(path: Path, ids: Sequence[str], bare_ms: float) -> list[Row]:
    last = ids[-LAST:]
    read_ms = 1e3 * bare_read_s(path, last)
    open_ms = 1e3 * median_s(lambda: Ledger(path, read_only=True).close(), 5)
    part = f"ledger of {len(ids)} runs"
    with Ledger(path) as ledger:
        whole_ms = 1e3 * median_s(lambda: ledger.results(last), 5)
        ledger.begin_run(head("new"))
        numbers = iter(range(KEPT))
        keep_ms = 1e3 * median_s(lambda: ledger.keep_point("new", point(f"p{next(numbers):03d}")), KEPT)
    return [
        Row(part, "a point kept", keep_ms, "ms", "a bare insert, as durable", bare_ms),
        Row(part, f"results of the last {len(last)}", whole_ms, "ms", "SQL and JSON alone", read_ms),
        Row(part, "opened to read", open_ms, "ms"),
    ]
