"""`--record`: a night's links written down, with all that is needed to replay it, and what came of it."""

from __future__ import annotations

import hashlib
import itertools
import json
import os
import zlib
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drivers.dialect import Dialect, shipped_dialects
from drivers.link import Link
from drivers.recorder import Recorder
from drivers.tape import EVENT, NOBODY, without_secret
from drivers.timing import Clock
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.declared import Declared
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.asking import Asking, nobody_there
from sequencer.plan.models import RoleName
from sequencer.roles import Links

if TYPE_CHECKING:
    from sequencer.whole_night import Done

RECORDING_NAME = "links.txt"
NIGHT, ANSWER, END = "night ", "answer ", "end "  # on the first line, where a person was asked, on the last line
STAMPS = ("begun", "ended")


@dataclass(frozen=True)
class Recorded:
    """What a night is, for its replay. dialects: role -> name, of those that were used; texts: of those that do not
    ship. start: wall time at the clock's nought."""

    declared: Declared
    dialects: Mapping[RoleName, Dialect]
    start: datetime
    resumed: bool = False
    asked: bool = False  # somebody was there to be asked

    def head(self) -> str:
        """One line of JSON, without user or password of any address."""
        shipped = shipped_dialects()
        own = {role: one for role, one in self.dialects.items() if one.name not in shipped}
        told: dict[str, Any] = {
            "declared": self.declared.model_dump(mode="json", exclude_unset=True),
            "dialects": {role: one.name for role, one in self.dialects.items()},
            "texts": {role: Path(one.name).read_text(encoding="utf-8") for role, one in own.items()},
            "start": self.start.isoformat(),
            "resumed": self.resumed,
            "asked": self.asked,
        }
        for role in told["declared"]["bench"]["role"].values():
            role["address"] = without_secret(role["address"])
        return NIGHT + json.dumps(told, sort_keys=True, separators=(",", ":"))


def named_file(text: str) -> Path:
    """What a person typed: a name that ends in / is a folder, there or not."""
    return Path(text) / RECORDING_NAME if text.endswith("/") else Path(text)


def record_path(asked: Path) -> Path:
    """The file for what was asked: that file, or one in that folder. Raises InputRefused: it is there already, or can't
    be written."""
    path = asked / RECORDING_NAME if asked.is_dir() else asked
    why = None
    if path.exists():
        why = "is there already, and is not written over: name another"
    else:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.open("x").close()
            path.unlink()
        except OSError as error:
            why = f"can't be written: {(error.strerror or 'no reason given').lower()}"
    if why:
        raise InputRefused([Problem("command line", "--record", str(path), why)])
    return path


def record_folder(asked: Path) -> Path:
    """Where `serve` keeps a recording a night, absolute; made with the first of them. Raises InputRefused: it is a
    file, or can't be written into."""
    folder = asked.absolute()
    there = next(one for one in (folder, *folder.parents) if one.exists())
    why = None
    if not there.is_dir():
        why = f"{there} is a file: name a folder, each night is recorded in a file of its own there"
    elif not os.access(there, os.W_OK | os.X_OK):
        why = f"{there} may not be written to: name another folder"
    if why:
        raise InputRefused([Problem("command line", "--record", str(asked), why)])
    return folder


def record_in(folder: Path, run_id: str) -> Path:
    """The file of the night that begins with this run; a night that goes on gets another one. Raises InputRefused."""
    names = itertools.chain([run_id], (f"{run_id}-{n}" for n in itertools.count(2)))
    return record_path(next(path for path in (folder / f"{name}.txt" for name in names) if not path.exists()))


def came_of_night(results: Mapping[str, Any], own: Collection[str], exit_code: int) -> dict[str, Any]:
    """As `came_of`, of the night's own runs: a ledger may keep those of other nights too."""
    if all(run["id"] in own for run in results["runs"]):
        return came_of(results, exit_code)
    runs = [run for run in results["runs"] if run["id"] in own]
    return came_of(dict(results) | {"runs": runs, "suspect": None}, exit_code)


@dataclass
class Recording:
    """One being made. links: what `build` takes. runs: of the night, by id."""

    recorder: Recorder | None
    links: Links = Link
    runs: Collection[str] = ()

    def asking(self, asking: Asking, clock: Clock) -> Asking:
        """The same, and what a person says is kept: bytes hang on it."""
        if self.recorder is None or asking is nobody_there:
            return asking
        recorder = self.recorder

        async def kept(ask: Ask) -> Answer:
            answer = await asking(ask)
            told = {"question": ask.question, "choice": answer.choice, "by_a_person": answer.by_a_person}
            recorder.hear(clock.now_ns(), NOBODY, EVENT, (ANSWER + json.dumps(told, sort_keys=True)).encode())
            return answer

        return kept

    def ended(self, done: Done) -> None:
        """What came of it."""
        if self.recorder is not None:
            told = json.dumps(
                came_of_night(done.results, self.runs, done.exit_code), sort_keys=True, separators=(",", ":")
            )
            self.recorder.hear(round(done.bench_s * 1e9), NOBODY, EVENT, (END + told).encode())

    @property
    def words(self) -> str | None:
        """How it went, for a person."""
        if self.recorder is None:
            return None
        if self.recorder.problem:
            return f"recording {self.recorder.path}: {self.recorder.problem}"
        return f"every byte of the links: {self.recorder.path}; `nightramp replay` plays it again"


@contextmanager
def recording(path: Path | None, night: Recorded) -> Iterator[Recording]:
    """path: as `record_path` gave it; None: nothing is recorded."""
    if path is None:
        yield Recording(None)
        return
    with Recorder(path, night.head()) as recorder:
        yield Recording(recorder, recorder.link, tuple(night.declared.run))


def came_of(results: Mapping[str, Any], exit_code: int) -> dict[str, Any]:
    """Digests of the results: of all but when runs began and ended, which on a real clock is another millisecond, and a
    CRC-32 of each point, to tell where they differ."""
    points = {
        f"{run['id']} {row['id']}": zlib.crc32(json.dumps(row, sort_keys=True).encode())
        for run in results["runs"]
        for row in run["points"]
    }
    runs = [{key: value for key, value in run.items() if key not in STAMPS} for run in results["runs"]]
    whole = hashlib.sha256(json.dumps(dict(results) | {"runs": runs}, sort_keys=True).encode()).hexdigest()
    return {"exit_code": exit_code, "results_sha256": whole, "points": points}
