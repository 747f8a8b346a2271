"""The guardian: a process of its own that switches the bench off when the one it guards dies or hangs.

It loads the standard library, the frozen file and the switching off, and opens no link while the other process lives:
an instrument with one connection would accept a second one and ignore it. It lives on the real clock.

    python -P -m sequencer.safety.guardian FROZEN_FILE

Standard input is the lifeline: a line "beat" at least every `silent_after_s`, "goodbye" at the end of a bench that is
safe, "yours" by one who could not confirm that and has closed its links. On standard output it says "armed" once, or
what is wrong.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Literal

from sequencer.safety.freeze import (
    EXIT_ACTED,
    EXIT_NOT_CONFIRMED,
    EXIT_QUIET,
    EXIT_REFUSED,
    Frozen,
    FrozenProblem,
    began,
    read,
)
from sequencer.safety.guardian_acts import Outcome, Reached, SwitchingOff, reach

End = Literal["goodbye", "yours", "pipe ended", "silent"]
IGNORED = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP, signal.SIGPIPE)
DEAD_WITHIN_S = 1.0
WHY = {
    "silent": "nightramp hung and was killed",
    "pipe ended": "nightramp ended without a goodbye",
    "yours": "nightramp could not confirm that the bench was safe",
}


class Record:
    """What it did, a JSON line each, written at once: the next start reads it. Open from the beginning: a record that
    can't be written must not be found out later."""

    def __init__(self, frozen: Frozen) -> None:
        self._run = frozen.run
        try:
            self._file = os.open(frozen.record, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise FrozenProblem(f"record: {frozen.record}: {error.strerror}") from None

    def note(self, who: str, what: str, **more: bool) -> None:
        now_s = time.time()  # noqa: TID251 (the guardian lives on the real clock)
        line = json.dumps({"time_s": now_s, "run": self._run, "who": who, "what": what} | more)
        with contextlib.suppress(OSError):  # a full disk must not keep it from its work
            os.write(self._file, line.encode() + b"\n")

    def last(self, what: str, *, confirmed: bool) -> None:
        self.note("guardian", what, confirmed=confirmed)
        with contextlib.suppress(OSError):
            os.fsync(self._file)


class Holder:
    """The process that holds the links, by a descriptor: a later process of the same number is never meant."""

    def __init__(self, frozen: Frozen, record: Record) -> None:
        self._pid, self._record = frozen.pid, record
        self._lock, self._is_done = threading.Lock(), False
        try:
            self._process = os.pidfd_open(frozen.pid)
        except OSError as error:
            raise FrozenProblem(f"pid: process {frozen.pid} can't be guarded: {error.strerror}") from None
        if began(frozen.pid) != frozen.pid_began:
            raise FrozenProblem(f"pid_began: process {frozen.pid} is another one than was frozen")

    @property
    def is_dead(self) -> bool:
        return bool(select.select([self._process], [], [], 0)[0])

    def kill(self, why: str) -> None:
        """Once; returns when it is dead, and with it its connections."""
        with self._lock:
            if self._is_done:
                return
            self._is_done = True
            if self.is_dead:
                return
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._process, signal.SIGKILL)
            select.select([self._process], [], [], DEAD_WITHIN_S)
            self._record.note("guardian", f"{why}: process {self._pid} killed")


def main(arguments: list[str]) -> int:
    """Guards until a goodbye, or acts."""
    for number in IGNORED:
        signal.signal(number, signal.SIG_IGN)  # only the lifeline ends it
    try:
        frozen = read(Path(arguments[0]))
        bench = [reach(one) for one in frozen.instruments]
        record = Record(frozen)
        holder = Holder(frozen, record)
    except IndexError:
        return _refused("names no frozen file")
    except FrozenProblem as problem:
        return _refused(str(problem))
    os.write(1, b"armed\n")
    end = wait_for_end(0, frozen.begin_within_s, frozen.silent_after_s)
    return EXIT_QUIET if end == "goodbye" else _act(end, frozen, bench, (record, holder))


def wait_for_end(pipe: int, begin_within_s: float, silent_after_s: float) -> End:
    """Blocks while beats come. The first one may take its time: nothing is energised before it."""
    rest, limit_s = b"", begin_within_s
    while True:
        if not select.select([pipe], [], [], limit_s)[0]:
            return "silent"
        try:
            more = os.read(pipe, 4096)
        except OSError:
            return "pipe ended"
        if not more:
            return "pipe ended"
        *lines, rest = (rest + more).split(b"\n")
        if b"goodbye" in lines:
            return "goodbye"
        if b"yours" in lines:
            return "yours"
        if lines:
            limit_s = silent_after_s


def _act(end: End, frozen: Frozen, bench: list[Reached], hands: tuple[Record, Holder]) -> int:
    record, holder = hands
    if end == "silent":  # before a link is opened: a process that only hangs still holds them
        holder.kill("no sign of life")

    def free() -> None:
        """Its pipe may have ended while it lives on, as when it waits for threads at its end, and holds a link."""
        if end != "yours":
            holder.kill("no goodbye, and an instrument does not answer")

    outcome = SwitchingOff(frozen, record.note, free).all(bench)
    record.last(_last_word(end, outcome), confirmed=not outcome.missing)
    return EXIT_NOT_CONFIRMED if outcome.missing else EXIT_ACTED


def _refused(why: str) -> int:
    os.write(1, f"refused: {why}\n".encode())
    return EXIT_REFUSED


def _last_word(end: End, outcome: Outcome) -> str:
    why = WHY[end]
    if outcome.missing:
        return f"{why}; NOT CONFIRMED SAFE: {', '.join(outcome.missing)}"
    return f"{why}; signal and supply were switched off and the rail seen to be down"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
