"""Opening a ledger: one writer at a time, the right kind of file, and the durability that results need."""

from __future__ import annotations

import fcntl
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import LedgerBroken, plain_words
from sequencer.ledger.schema_sql import APPLICATION_ID, MIGRATIONS, READABLE_FROM, migrate, version_of

LEDGER_NAME = "ledger.sqlite"
AGAIN_S = 0.02


def ledger_at(given: Path, file: str = "command line", key: str = "--ledger") -> Path:
    """The ledger that a folder holds or is to hold, or that is named itself. Raises InputRefused. Writes nothing."""
    path = given if given.suffix == Path(LEDGER_NAME).suffix else given / LEDGER_NAME
    if path.name != LEDGER_NAME:
        remedy = f"a ledger is called {LEDGER_NAME}: name its folder, or {path.with_name(LEDGER_NAME)}"
        raise InputRefused([Problem(file, key, str(given), remedy)])
    return path.absolute()


def refuse_used_folder(out_dir: Path) -> None:
    """Raises InputRefused where `out_dir` holds a ledger already, or is no folder. Writes nothing."""
    out_dir = Path(out_dir)
    if out_dir.exists() and not out_dir.is_dir():
        raise _refused(out_dir, "--out", str(out_dir), "is not a folder; name another")
    if out_dir.is_dir() and any(out_dir.glob(f"{LEDGER_NAME}*")):
        words = "holds the ledger of an earlier night; name a new folder, or go on with a night that died: --resume DIR"
        raise _refused(out_dir, "--out", str(out_dir), words)


def _refused(path: Path, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(str(path), key, value, remedy)])


@dataclass
class WriterLock:
    """Held while a ledger is open for writing. The kernel lets go of it however the process dies.

    A file of its own: closing any other handle on a database file drops SQLite's own locks on it.
    """

    path: Path
    handle: int

    @classmethod
    def take(cls, ledger: Path) -> WriterLock:
        """Raises InputRefused where another writer has it."""
        path = ledger.with_name(ledger.name + ".lock")
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            if not _same_file(handle, path):  # its owner removed it between our two calls
                raise BlockingIOError
        except BlockingIOError:
            os.close(handle)
            raise _refused(
                ledger,
                "ledger",
                "in use",
                "another nightramp is writing it; end that one first, or use another folder",
            ) from None
        return cls(path, handle)

    def release(self) -> None:
        """Removed while still held, so that nobody can hold a file that is no longer there unseen."""
        self.path.unlink(missing_ok=True)
        os.close(self.handle)


def _same_file(handle: int, path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(handle), path.stat())
    except FileNotFoundError:
        return False


def open_for_writing(path: Path, busy_s: float) -> sqlite3.Connection:
    """A ledger brought up to date, or a new one. Raises InputRefused for a file that is not ours, or damaged."""
    with read_as_input(path), plain_words(path):
        database = sqlite3.connect(path, isolation_level=None, timeout=busy_s)
        try:
            _refuse_foreign(database, path)
            # Acknowledged means on the disk: WAL with FULL syncs at each commit, with NORMAL it does not.
            _journal(database, busy_s)
            database.execute("PRAGMA synchronous = FULL")
            database.execute("PRAGMA foreign_keys = ON")
            migrate(database)
        except BaseException:
            database.close()
            raise
    return database


def _journal(database: sqlite3.Connection, busy_s: float) -> None:
    """The very first time the file itself is changed, and where two do that at once SQLite refuses one of them without
    waiting (sqlite.org/c3ref/busy_handler.html: it sees that waiting could never end)."""
    until_s = _now_s() + busy_s
    while True:
        try:
            database.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY or _now_s() > until_s:
                raise
        time.sleep(AGAIN_S)  # noqa: TID251 (another process, on the real clock)


def _now_s() -> float:
    return time.monotonic()  # noqa: TID251 (as above)


def open_for_reading(path: Path, busy_s: float) -> sqlite3.Connection:
    """A ledger that may be in use by its writer; nothing is written."""
    if not path.is_file():
        raise _refused(path, "ledger", "not found", "name a ledger, or the folder that holds one")
    with read_as_input(path), plain_words(path):
        database = sqlite3.connect(
            f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None, timeout=busy_s
        )
        try:
            _refuse_foreign(database, path)
            if version_of(database) < READABLE_FROM:
                raise _refused(path, "ledger", "empty", "nothing was ever kept in it: name another one")
        except BaseException:
            database.close()
            raise
    return database


@contextmanager
def read_as_input(path: Path) -> Iterator[None]:
    """A damaged ledger that is only read is an input that can't be used, no fault of ours. Raises InputRefused."""
    try:
        yield
    except LedgerBroken as broken:
        remedy = "damaged, or no ledger: name another, results.json, or a copy made by `nightramp ledger backup`"
        raise _refused(path, "ledger", str(broken.__cause__), remedy) from None


@contextmanager
def commit(database: sqlite3.Connection, path: Path) -> Iterator[None]:
    """All that happens inside is kept together or not at all."""
    with plain_words(path):
        database.execute("BEGIN IMMEDIATE")
        try:
            yield
            database.execute("COMMIT")
        except BaseException:
            roll_back(database)
            raise


def roll_back(database: sqlite3.Connection) -> None:
    if database.in_transaction:  # a full disk may have ended it already
        database.execute("ROLLBACK")


def _refuse_foreign(database: sqlite3.Connection, path: Path) -> None:
    database.execute("BEGIN")  # of one moment: another process may be making the tables right now
    try:
        version = version_of(database)
        mark = int(database.execute("PRAGMA application_id").fetchone()[0])
        tables = int(database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0])
    finally:
        if database.in_transaction:
            database.execute("ROLLBACK")
    if mark != APPLICATION_ID and (tables or version):
        raise _refused(path, "ledger", "another program's file", "name a ledger of nightramp")
    if version > len(MIGRATIONS):
        raise _refused(path, "ledger", f"version {version}", "it is newer than this nightramp; use the newer one")
