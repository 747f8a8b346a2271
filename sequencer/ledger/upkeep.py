"""House-keeping of a night's folder: is it sound, a copy of its ledger, and what may go when it has grown old."""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import LedgerBroken, plain_words
from sequencer.ledger.names import safe_name
from sequencer.ledger.opening import LEDGER_NAME, read_as_input
from sequencer.ledger.store import BUSY_S, Ledger

TRACES, SHOTS = "traces", "shots"


def ledger_in(place: Path) -> Path:
    """place: a ledger, or the folder that holds one."""
    return place / LEDGER_NAME if place.is_dir() else place


@dataclass(frozen=True)
class Found:
    """What a look at a ledger told. wrong: empty where it is sound."""

    facts: tuple[str, ...]
    wrong: tuple[str, ...]


def look(ledger: Path) -> Found:
    """The file itself, its references, and the traces that its rows name. Raises InputRefused, LedgerFault."""
    with Ledger(ledger, read_only=True) as opened:
        try:
            wrong, results, counts = opened.integrity(), opened.results(), opened.message_counts()
        except LedgerBroken as broken:
            return Found((), (str(broken),))
    named = {name for run in results["runs"] for point in run["points"] for name in point.get("traces") or ()}
    missing = sorted(name for name in named if not (ledger.parent / name).is_file())
    open_runs = [run["id"] for run in results["runs"] if run["ended"] is None]
    facts = [
        f"{len(results['runs'])} runs, {sum(len(run['points']) for run in results['runs'])} points",
        f"messages: {counts['pending']} pending, {counts['sent']} sent, {counts['confirmed']} confirmed",
        f"{len(named)} traces named, {len(missing)} of them no longer kept",
        *(f"run {one} has no end: a death (go on with it: --resume), or a night under way" for one in open_runs),
    ]
    return Found(tuple(facts), tuple(wrong))


def backup(ledger: Path, to: Path) -> int:
    """One consistent copy while a night may be writing (sqlite.org/backup.html), looked through before it has its
    name; returns its bytes. Raises InputRefused, LedgerFault."""
    if to.is_dir():
        to = to / ledger.name
    if to.exists():
        raise InputRefused([Problem("command line", "--to", str(to), "is there already: name a new file")])
    part = to.with_name(to.name + ".part")
    with Ledger(ledger, read_only=True):  # is it one of ours
        pass
    try:
        _copy(ledger, part)
        os.replace(part, to)
    except OSError as error:
        words = f"{(error.strerror or 'cannot be written').lower()}: name a file in a folder that may be written"
        raise InputRefused([Problem("command line", "--to", str(to), words)]) from None
    finally:
        for leftover in (part, *(part.with_name(part.name + end) for end in ("-wal", "-shm", "-journal"))):
            leftover.unlink(missing_ok=True)
    return to.stat().st_size


def _copy(ledger: Path, part: Path) -> None:
    part.touch()
    with read_as_input(ledger), plain_words(ledger):
        source = sqlite3.connect(f"{ledger.absolute().as_uri()}?mode=ro", uri=True, timeout=BUSY_S)
        copy = sqlite3.connect(part)
        try:
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")  # one file, whole by itself
            told = [row[0] for row in copy.execute("PRAGMA integrity_check")]
        finally:
            copy.close()
            source.close()
    if told != ["ok"]:
        raise LedgerBroken(f"{part.name}: the copy is not sound: {'; '.join(told)}")
    with open(part, "rb") as file:
        os.fsync(file.fileno())


@dataclass(frozen=True)
class Old:
    """What may go of a folder: files by kind, and messages that a consumer has. Nothing of the results."""

    traces: tuple[Path, ...] = ()
    shots: tuple[Path, ...] = ()
    messages: int = 0
    runs: tuple[str, ...] = field(default=())

    def bytes(self) -> int:
        """On the disk, of the files."""
        return sum(file.stat().st_size for one in (*self.traces, *self.shots) for file in _files(one))


def old(ledger: Path, before: datetime) -> Old:
    """Of runs that ended before: traces, kept shots, confirmed messages. Raises InputRefused, LedgerFault."""
    folder = ledger.parent
    with read_as_input(ledger), Ledger(ledger, read_only=True) as opened:
        runs = [run["id"] for run in opened.runs() if run["ended"] and datetime.fromisoformat(run["ended"]) < before]
        messages = opened.confirmed_before(before)
    begin = tuple(f"{safe_name(run)}+" for run in runs)

    def of_runs(kind: str) -> tuple[Path, ...]:
        found = (folder / kind).iterdir() if begin and (folder / kind).is_dir() else ()
        return tuple(sorted(one for one in found if one.name.startswith(begin)))

    return Old(of_runs(TRACES), of_runs(SHOTS), messages, tuple(runs))


def drop(ledger: Path, what: Old, before: datetime) -> None:
    """For good. The rows stay, and say which traces there were. Raises InputRefused where a night is writing."""
    with Ledger(ledger) as opened:
        opened.forget_confirmed(before)
        for one in (*what.traces, *what.shots):
            shutil.rmtree(one) if one.is_dir() else one.unlink(missing_ok=True)


def _files(one: Path) -> Iterator[Path]:
    if one.is_dir():
        yield from (file for file in one.rglob("*") if file.is_file())
    else:
        yield one
