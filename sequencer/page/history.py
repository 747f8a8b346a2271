"""What stands in the ledger and beside it: queue, runs, sheets. Read in a thread of its own, by readers that hold up no
writer; what can't be read is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sequencer.errors import Fault, InputRefused
from sequencer.ledger.names import safe_name
from sequencer.ledger.queue import Entry, Queue
from sequencer.ledger.store import Ledger

SHEET, BATCH, SHEETS = "sheet.html", "batch.html", "sheets"
BUSY_S = 0.2
MOST_RUNS = 30
Key = tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class Run:
    """sheet: its path below the folder, empty where none is drawn yet."""

    id: str
    serial: str
    bay: str
    label: str
    begun: str
    ended: str | None
    outcome: str
    sheet: str = ""


@dataclass(frozen=True)
class Past:
    """has_queue: of a daemon. pages: every page that may be opened, below the folder. runs: the latest first."""

    has_queue: bool = False
    entries: tuple[Entry, ...] = ()
    runs: tuple[Run, ...] = ()
    more_runs: int = 0
    pages: frozenset[str] = frozenset()
    trouble: str = ""


class History:
    """`look()` reads again only what has changed on the disk."""

    def __init__(self, ledger: Path, *, has_queue: bool) -> None:
        self.folder, self._ledger, self._has_queue = ledger.parent, ledger, has_queue
        self._key: Key | None = None
        self.past = Past(has_queue)

    def look(self) -> Past:
        """Raises nothing."""
        key = self._now()
        if key != self._key:
            self._key, self.past = key, self._read()
        return self.past

    def page(self, name: str) -> Path | None:
        """The file of a page that is listed; None for any other name."""
        return self.folder / name if name in self._pages() else None

    def _now(self) -> Key:
        named = (self._ledger, self._ledger.with_name(self._ledger.name + "-wal"), self.folder / SHEETS)
        return tuple(_stat(one) for one in (*named, self.folder / SHEET, self.folder / BATCH))

    def _pages(self) -> frozenset[str]:
        found = [name for name in (SHEET, BATCH) if (self.folder / name).is_file()]
        folder = self.folder / SHEETS
        if folder.is_dir():
            found += [f"{SHEETS}/{one.name}" for one in folder.iterdir() if one.suffix == ".html" and one.is_file()]
        return frozenset(found)

    def _read(self) -> Past:
        pages = self._pages()
        if not self._ledger.is_file():
            return Past(self._has_queue, pages=pages)
        try:
            with Queue(self._ledger, read_only=True, busy_s=BUSY_S) as queue:
                entries = tuple(queue.entries("taken", "waiting", "held")) if self._has_queue else ()
            with Ledger(self._ledger, read_only=True, busy_s=BUSY_S) as ledger:
                heads = ledger.runs()
        except (Fault, InputRefused) as error:
            return Past(self._has_queue, pages=pages, trouble=str(error))
        only = SHEET if len(heads) == 1 and SHEET in pages else ""
        runs = tuple(_run(head, pages, only) for head in reversed(heads[-MOST_RUNS:]))
        return Past(self._has_queue, entries, runs, max(0, len(heads) - MOST_RUNS), pages)


def _run(head: dict[str, Any], pages: frozenset[str], only: str) -> Run:
    serial = str(head["unit"]["serial"])
    name = f"{SHEETS}/{safe_name(serial)}+{safe_name(str(head['id']))}.html"
    ended = head.get("ended")
    return Run(
        id=str(head["id"]),
        serial=serial,
        bay=str(head.get("bay", "")),
        label=str(head.get("label") or ""),
        begun=str(head.get("begun", "")),
        ended=None if ended is None else str(ended),
        outcome=str(head["outcome"]) if ended is not None else "under way, or broken off",
        sheet=name if name in pages else only,
    )


def _stat(path: Path) -> tuple[int, int]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0
    return found.st_mtime_ns, found.st_size
