"""The tables of a ledger, and how an older ledger becomes a newer one."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

APPLICATION_ID = 0x4E52414D  # "NRAM": tells our files from other SQLite files

FIRST = (
    """CREATE TABLE run (
        number INTEGER PRIMARY KEY,
        id TEXT NOT NULL UNIQUE,
        head TEXT NOT NULL,
        ended TEXT,
        outcome TEXT CHECK (outcome IN ('finished', 'stopped', 'tripped', 'unfinished')),
        CHECK ((ended IS NULL) = (outcome IS NULL))
    ) STRICT""",
    """CREATE TABLE point (
        number INTEGER PRIMARY KEY,
        run_id TEXT NOT NULL REFERENCES run (id),
        id TEXT NOT NULL,
        row TEXT NOT NULL,
        UNIQUE (run_id, id)
    ) STRICT""",
    """CREATE TABLE trip (
        number INTEGER PRIMARY KEY, run_id TEXT NOT NULL REFERENCES run (id), row TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE finding (
        number INTEGER PRIMARY KEY, run_id TEXT NOT NULL REFERENCES run (id), row TEXT NOT NULL
    ) STRICT""",
    # pending: sent_at and confirmed_at null; sent: the broker has it; confirmed: a consumer said so.
    """CREATE TABLE outbox (
        seq INTEGER PRIMARY KEY,
        id TEXT NOT NULL UNIQUE,
        run_id TEXT REFERENCES run (id),
        topic TEXT NOT NULL,
        retain INTEGER NOT NULL CHECK (retain IN (0, 1)),
        payload TEXT NOT NULL,
        sent_at TEXT,
        confirmed_at TEXT
    ) STRICT""",
    "CREATE INDEX outbox_not_sent ON outbox (seq) WHERE sent_at IS NULL",
    "CREATE INDEX outbox_not_confirmed ON outbox (seq) WHERE confirmed_at IS NULL",
    # One row. seq only grows, whatever becomes of the rows of the outbox.
    """CREATE TABLE book (
        only INTEGER PRIMARY KEY CHECK (only = 1), seq INTEGER NOT NULL, suspect TEXT
    ) STRICT""",
    "INSERT INTO book (only, seq) VALUES (1, 0)",
)

# What is to be measured, in the order of `place`. An entry is never taken out: its number stays its own.
QUEUE = (
    """CREATE TABLE queue (
        number INTEGER PRIMARY KEY,
        place INTEGER NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('waiting', 'taken', 'held', 'done', 'removed')),
        added TEXT NOT NULL,
        asked TEXT NOT NULL,
        runs TEXT NOT NULL,
        times_done INTEGER NOT NULL DEFAULT 0,
        why TEXT
    ) STRICT""",
    "CREATE INDEX queue_open ON queue (place) WHERE state IN ('waiting', 'taken', 'held')",
)

# What tells this ledger's numbers from those of any other. Some ledgers had the table before it came here.
IDENTITY = (
    "CREATE TABLE IF NOT EXISTS feed (only INTEGER PRIMARY KEY CHECK (only = 1), identity TEXT) STRICT",
    "INSERT OR IGNORE INTO feed VALUES (1, lower(hex(randomblob(6))))",
)

# The bench's loads: K above the room at that time, at most. Who goes on takes them for that warm.
LOADS = (
    """CREATE TABLE load_heat (
        load TEXT NOT NULL, channel TEXT NOT NULL, rise_k REAL NOT NULL, at TEXT NOT NULL, PRIMARY KEY (load, channel)
    ) STRICT""",
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (FIRST, QUEUE, IDENTITY, LOADS)
READABLE_FROM = 1  # results and messages are all there since then


def version_of(database: sqlite3.Connection) -> int:
    """How many migrations the file has seen."""
    return int(database.execute("PRAGMA user_version").fetchone()[0])


def migrate(database: sqlite3.Connection, migrations: Sequence[Sequence[str]] = MIGRATIONS) -> None:
    """Brings the file to the newest tables, each migration whole or not at all."""
    for number in range(version_of(database), len(migrations)):
        database.execute("BEGIN IMMEDIATE")
        try:
            if version_of(database) > number:  # another process did it while we waited
                database.execute("ROLLBACK")
                continue
            for statement in migrations[number]:
                database.execute(statement)
            database.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            database.execute(f"PRAGMA user_version = {number + 1}")
            database.execute("COMMIT")
        except BaseException:
            if database.in_transaction:  # a full disk may have ended it already
                database.execute("ROLLBACK")
            raise
