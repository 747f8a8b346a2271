"""What a daemon is doing at this moment, in a small file beside the ledger and one beside the bench's lock.

Written by a thread of its own, the latest state only: a slow disk must not hold up the loop that beats the guardian.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from sequencer.ledger.rows import Row
from sequencer.night.listen import Nobody
from sequencer.night.setup import UnitRun
from sequencer.plan.points import AnyPoint
from sequencer.safety.freeze import began

NOW_NAME = "now.json"
Doing = Literal["starting", "waiting", "measuring", "reference unit", "drawing pages", "ending", "ended"]


class Live(Row):
    """format 1. pid_began: start of the process in clock ticks, so that a later one of the same number is not taken for
    it. since, changed: RFC 3339. entry: number in the queue. point: its id, the number-th of `of` of this run."""

    format: Literal[1] = 1
    pid: int
    pid_began: int
    bench: str
    bench_file: str
    ledger: str
    since: str
    changed: str
    doing: Doing = "starting"
    sentence: str = ""
    entry: int | None = None
    run: str | None = None
    unit: str | None = None
    bay: str | None = None
    plan: str | None = None
    measurement: str | None = None
    point: str | None = None
    number: int | None = None
    of: int | None = None

    @property
    def lives(self) -> bool:
        return self.doing != "ended" and began(self.pid) == self.pid_began


NOTHING: Mapping[str, Any] = {
    "sentence": "", "entry": None, "run": None, "unit": None, "bay": None, "plan": None,
    "measurement": None, "point": None, "number": None, "of": None,
}  # fmt: skip


class Telling(Nobody):
    """Keeps the file up to date: from the daemon by `doing`, from the night as one of its listeners."""

    def __init__(self, paths: Sequence[Path], first: Live, stamp: Callable[[], str]) -> None:
        self._paths, self._state, self._stamp = paths, first, stamp
        self._thread = ThreadPoolExecutor(1, "now.json")
        self._next: Live | None = None
        self._last: Future[None] | None = None
        self._tell({})

    @property
    def state(self) -> Live:
        return self._state

    def doing(self, doing: Doing, **more: Any) -> None:
        """Something else than before: what is not named is not known of it."""
        self._tell({**NOTHING, "doing": doing, **more})

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        self._tell({"run": run.id, "unit": run.unit.serial, "bay": run.bay.name, "of": len(run.points)})

    def point_begun(self, run: UnitRun, point: AnyPoint) -> None:
        number = 1 + next((place for place, one in enumerate(run.points) if one.id == point.id), 0)
        self._tell({"point": point.id, "number": number, "measurement": point.measurement})

    def close(self) -> None:
        """The last state is on the disk then, as far as the disk takes it."""
        self.doing("ended")
        self._thread.shutdown(wait=True)

    def _tell(self, changes: Mapping[str, Any]) -> None:
        self._state = self._state.model_copy(update={**changes, "changed": self._stamp()})
        self._next = self._state
        if self._last is None or self._last.done():
            self._last = self._thread.submit(self._write)

    def _write(self) -> None:
        while (state := self._next) is not None:
            self._next = None
            for path in self._paths:
                with contextlib.suppress(OSError):  # a full disk: the night goes on, and `status` tells less
                    _put(path, state)


def _put(path: Path, state: Live) -> None:
    """Whole, but not onto the disk: after a power cut nobody holds the bench."""
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(state.model_dump(), indent=1, sort_keys=True) + "\n", encoding="utf-8")
    os.replace(part, path)


def read_live(path: Path) -> Live | None:
    """None where there is none, or none that can be read."""
    try:
        return Live.model_validate_json(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, ValidationError):
        return None


def beside_ledger(ledger: Path) -> Path:
    return ledger.with_name(NOW_NAME)


def beside_lock(lock: Path) -> Path:
    return lock.with_suffix(f".{NOW_NAME}")
