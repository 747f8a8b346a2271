"""All shots of a night, kept whole where that is asked (`--keep-shots`): everything that was replied to a measurement,
so that it can be led through it again by the same code."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sequencer.ledger.names import safe_name
from sequencer.ledger.traces import write_trace
from sequencer.measurements.requests import Answer, BenchReading, Reply, Request, Shot
from sequencer.measurements.unseen import without_nan
from sequencer.night.book import Book
from sequencer.night.setup import UnitRun
from sequencer.plan.points import AnyPoint

SHOTS = "shots"
Heard = Callable[[Request, Reply], None]


def talks_folder(out: Path, run_id: str, point_id: str) -> Path:
    """Where the talks of one point lie."""
    return out / SHOTS / f"{safe_name(run_id)}+{safe_name(point_id)}"


class Shelf:
    """Writes in the ledger's thread, in order: what is heard of a point is there before its row is."""

    def __init__(self, out: Path, book: Book) -> None:
        self._out, self._book = out, book
        self._talks: dict[Path, int] = {}
        self._writing: list[asyncio.Future[None]] = []

    def begin(self, run: UnitRun, point: AnyPoint) -> Heard:
        """A talk of the point's measurement begins; what comes back is to hear all of it."""
        folder = talks_folder(self._out, run.id, point.id)
        before = self._talks.get(folder)
        number = self._talks[folder] = 1 + (_last_there(folder) if before is None else before)
        talk = folder / f"{number:02}-{safe_name(point.measurement)}.jsonl"
        count = 0

        def heard(request: Request, reply: Reply) -> None:
            nonlocal count
            count += 1
            self._writing.append(self._book.soon(_write, talk, f"{number:02}-{count:04}.npz", request, reply))

        return heard

    async def written(self) -> None:
        """Raises what a write raised."""
        writing, self._writing = self._writing, []
        for one in writing:
            await one


def _last_there(folder: Path) -> int:
    """Of a process that ended before the point was kept; 0 where there is none."""
    return max((int(one.name[:2]) for one in folder.glob("[0-9][0-9]-*.jsonl")), default=0)


def _write(talk: Path, name: str, request: Request, reply: Reply) -> None:
    line: dict[str, Any] = {"asked": type(request).__name__}
    if isinstance(reply, Shot):
        write_trace(talk.parent / name, reply, samples_at_most=None)
        line |= {"shot": name, "request": asdict(reply.request)}
    elif isinstance(reply, Answer):
        line |= {"answer": asdict(reply)}
    elif isinstance(reply, BenchReading):
        line |= {"reading": without_nan(asdict(reply))}
    talk.parent.mkdir(parents=True, exist_ok=True)
    with talk.open("a", encoding="utf-8") as file:
        file.write(json.dumps(line, sort_keys=True, allow_nan=False) + "\n")
