"""What can go wrong with a ledger, in plain words: one name per situation."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from sequencer.errors import Fault


class LedgerFault(Fault):
    """The ledger could not keep or give what was asked. What was acknowledged before stands."""


class LedgerFull(LedgerFault):
    """No room left on the disk."""


class LedgerBusy(LedgerFault):
    """Another program keeps the file locked for longer than we wait."""


class LedgerBroken(LedgerFault):
    """The file is no ledger, or damaged."""


class LedgerUnwritable(LedgerFault):
    """The disk refuses: read-only, an I/O error, a folder that went away."""


class LedgerOrder(LedgerFault):
    """Asked for in a wrong order: a run nobody began, a point kept twice, a run ended twice."""


# SQLite's primary result codes (sqlite.org/rescode.html).
KINDS: dict[int, tuple[type[LedgerFault], str]] = {
    5: (LedgerBusy, "another program keeps it locked; end that program"),
    6: (LedgerBusy, "another program keeps it locked; end that program"),
    8: (LedgerUnwritable, "it may not be written"),
    10: (LedgerUnwritable, "the disk refuses to read or write"),
    11: (LedgerBroken, "the file is damaged; keep it and begin a new folder"),
    13: (LedgerFull, "the disk is full; make room, what was kept before is intact"),
    14: (LedgerUnwritable, "it cannot be opened"),
    26: (LedgerBroken, "the file is not a ledger"),
}


@contextmanager
def plain_words(path: Path) -> Iterator[None]:
    """Turns SQLite's errors into ours, with the file's name and what to do."""
    try:
        yield
    except sqlite3.ProgrammingError:
        raise  # ours to mend: a wrong thread, a closed ledger
    except sqlite3.DatabaseError as error:
        code = getattr(error, "sqlite_errorcode", 0) or 0
        kind, words = KINDS.get(code & 0xFF, (LedgerFault, "SQLite refuses"))
        raise kind(f"{path.name}: {words} ({error})") from error
