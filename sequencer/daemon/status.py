"""What `status` tells: who holds the bench, what is under way, the queue, the outbox, the last trip, the disk.

Read from files alone: it works without a daemon, and disturbs none.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sequencer.daemon.live import Live, beside_ledger, beside_lock, read_live
from sequencer.errors import Fault, InputRefused, Problem
from sequencer.ledger.queue import STATES, Entry, Queue
from sequencer.ledger.store import Ledger
from sequencer.lock import BenchHeld, BenchLock, Holder
from sequencer.plan.load import load_bench

GIB = 1024.0**3


@dataclass(frozen=True)
class Status:
    """None: not known, or none. holder: of the bench; live: what the daemon says of itself; lives: it still runs.
    waits: why the first waiting entry does. free_bytes: on the disk of the ledger."""

    bench: str | None
    holder: Holder | None
    is_held: bool
    live: Live | None
    lives: bool
    ledger: Path | None
    queue: dict[str, int] | None
    open_entries: tuple[Entry, ...]
    outbox: dict[str, int] | None
    trip: dict[str, Any] | None
    free_bytes: int | None
    trouble: str | None

    def as_json(self) -> dict[str, Any]:
        return {
            "format": 1,
            "bench": self.bench,
            "held": self.is_held,
            "holder": None if self.holder is None else {"pid": self.holder.pid, "since": _stamp(self.holder.since_s)},
            "daemon": None if self.live is None else self.live.model_dump() | {"lives": self.lives},
            "ledger": None if self.ledger is None else str(self.ledger),
            "queue": self.queue,
            "outbox": self.outbox,
            "last_trip": self.trip,
            "free_bytes": self.free_bytes,
            "trouble": self.trouble,
        }


def status_of(ledger: Path | None, bench: str | None) -> Status:
    """Of a ledger, of a bench, or of both. A bench leads to its ledger, and a ledger to its bench, while a daemon works
    there. Raises InputRefused where neither is there."""
    if ledger is not None and not ledger.is_file():
        raise InputRefused([Problem(str(ledger), "ledger", "not found", "name a ledger, or the folder that holds one")])
    live = None if ledger is None else read_live(beside_ledger(ledger))
    named = bench or (live.bench_file if live is not None else None)
    name, holder, is_held, at_lock = _held(named, strict=bench is not None)
    live = live or at_lock
    if ledger is None and live is not None and Path(live.ledger).is_file():
        ledger = Path(live.ledger)
    read = _Read(ledger)
    lives = live is not None and live.lives
    return Status(
        bench=name or (live.bench if live is not None else None),
        holder=holder,
        is_held=is_held,
        live=live,
        lives=lives,
        ledger=ledger,
        queue=read.queue,
        open_entries=read.open_entries,
        outbox=read.outbox,
        trip=read.trip,
        free_bytes=None if ledger is None else shutil.disk_usage(ledger.parent).free,
        trouble=read.trouble,
    )


def _held(bench: str | None, *, strict: bool) -> tuple[str | None, Holder | None, bool, Live | None]:
    """The bench's name, who holds it, whether anybody does, and what a daemon said beside its lock. strict: a bench
    file that can't be read is refused; else, of a bench that a daemon named once, nothing is known then."""
    if bench is None:
        return None, None, False, None
    try:
        loaded = load_bench(bench)
    except InputRefused:
        if strict:
            raise
        return None, None, False, None
    lock = BenchLock({name: loaded.model.role[name].address for name in loaded.model.roles()})
    live = read_live(beside_lock(lock.path))
    try:
        holder = lock.held_by()
    except BenchHeld:
        return loaded.model.name, None, True, live
    return loaded.model.name, holder, holder is not None, live


class _Read:
    """What a ledger says; where it can't be read, that."""

    def __init__(self, path: Path | None) -> None:
        self.queue: dict[str, int] | None = None
        self.outbox: dict[str, int] | None = None
        self.trip: dict[str, Any] | None = None
        self.open_entries: tuple[Entry, ...] = ()
        self.trouble: str | None = None
        if path is None:
            return
        try:
            with Queue(path, read_only=True) as queue:
                self.queue, self.open_entries = queue.counts(), tuple(queue.entries("taken", "waiting", "held"))
            with Ledger(path, read_only=True) as ledger:
                self.outbox = {str(state): count for state, count in ledger.message_counts().items()}
                self.trip = ledger.last_trip()
        except (Fault, InputRefused) as error:
            self.trouble = str(error)


def status_lines(status: Status) -> list[str]:
    """For a person, from the most pressing down."""
    whose = f"bench {status.bench}: {_holding(status)}"
    lines = [whose if status.bench is not None else "bench: no daemon has named it; --bench BENCH says who holds it"]
    lines += [f"  {_under_way(live)}"] if (live := status.live) is not None and status.lives else []
    if status.live is not None and not status.lives and status.live.doing != "ended":
        lines.append(f"  the last daemon (process {status.live.pid}) died at or after {status.live.changed}")
    if status.queue is not None:
        lines.append("queue: " + ", ".join(f"{status.queue[state]} {state}" for state in STATES))
        lines += [
            f"  {one.number} {one.state}: unit {one.serial} in bay {one.bay}{f', {one.why}' if one.why else ''}"
            for one in status.open_entries
        ]
    if status.outbox is not None:
        lines.append("messages: " + ", ".join(f"{count} {state}" for state, count in status.outbox.items()))
    if status.trip is not None:
        lines.append(f"last trip: {status.trip['time']}, unit {status.trip['unit']}: {status.trip['sentence']}")
    elif status.outbox is not None:
        lines.append("last trip: none")
    if status.free_bytes is not None:
        lines.append(f"free on the disk of {status.ledger}: {status.free_bytes / GIB:.1f} GiB")
    return [*lines, *([status.trouble] if status.trouble else [])]


def _holding(status: Status) -> str:
    if status.holder is not None:
        return f"held by process {status.holder.pid} since {_stamp(status.holder.since_s)}"
    return "held, by whom is not said" if status.is_held else "nobody holds it"


def _under_way(live: Live) -> str:
    what = live.sentence or live.doing
    if live.run is None:
        return f"{live.doing}: {what}" if what != live.doing else what
    point = f", point {live.number} of {live.of} ({live.measurement}, {live.point})" if live.point else ""
    return f"{live.doing}: {what}, run {live.run}{point}"


def _stamp(unix_s: float) -> str:
    return datetime.fromtimestamp(unix_s, UTC).isoformat(timespec="seconds")
