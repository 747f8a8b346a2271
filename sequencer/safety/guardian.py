"""The guardian: a process of its own that switches the bench off when the one it guards dies or hangs.

It loads the standard library, the frozen file and the switching off, and opens no link while the other process lives:
an instrument with one connection would accept a second one and ignore it. It lives on the real clock.

    python -P -m sequencer.safety.guardian FROZEN_FILE

Standard input is the lifeline: a line "beat" at least every `silent_after_s`, "goodbye" at the end. On standard output
it says "armed" once.
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

from sequencer.safety.freeze import Frozen, FrozenProblem, began, read
from sequencer.safety.guardian_acts import Outcome, switch_off

End = Literal["goodbye", "pipe ended", "silent"]
EXIT_QUIET, EXIT_REFUSED, EXIT_ACTED, EXIT_NOT_CONFIRMED = 0, 2, 10, 3


class Record:
    """What it did, a JSON line each, written at once: the next start reads it."""

    def __init__(self, path: str) -> None:
        self._path, self._lock = path, threading.Lock()

    def note(self, who: str, what: str) -> None:
        line = json.dumps({"time_s": time.time(), "who": who, "what": what})  # noqa: TID251 (real clock)
        with self._lock, contextlib.suppress(OSError), open(self._path, "a", encoding="utf-8") as file:
            file.write(line + "\n")  # a full disk must not keep it from its work


def main(arguments: list[str]) -> int:
    """Guards until a goodbye, or acts."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP, signal.SIGPIPE):
        signal.signal(number, signal.SIG_IGN)  # only the lifeline ends it
    try:
        frozen = read(Path(arguments[0]))
    except (FrozenProblem, IndexError) as problem:
        print(f"guardian: {problem}", file=sys.stderr)
        return EXIT_REFUSED
    os.write(1, b"armed\n")
    end = wait_for_end(0, frozen.silent_after_s)
    if end == "goodbye":
        return EXIT_QUIET
    record = Record(frozen.record)
    if end == "silent":
        _kill(frozen, record)
    outcome = switch_off(frozen, record.note)
    record.note("guardian", _last_word(end, outcome))
    return EXIT_ACTED if outcome.confirmed else EXIT_NOT_CONFIRMED


def wait_for_end(pipe: int, silent_after_s: float) -> End:
    """Blocks while beats come. The first one may take its time: nothing is energised before it."""
    rest, limit_s = b"", None
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
        if lines:
            limit_s = silent_after_s


def _kill(frozen: Frozen, record: Record) -> None:
    """Before a link is opened: a process that only hangs still holds them. Never a stranger of the same number."""
    if frozen.pid_began and began(frozen.pid) == frozen.pid_began:
        with contextlib.suppress(ProcessLookupError):
            os.kill(frozen.pid, signal.SIGKILL)
        record.note("guardian", f"no sign of life for {frozen.silent_after_s:g} s: process {frozen.pid} killed")
    else:
        record.note("guardian", f"no sign of life, and process {frozen.pid} is not there")


def _last_word(end: End, outcome: Outcome) -> str:
    why = {"pipe ended": "nightramp ended without a goodbye", "silent": "nightramp hung and was killed"}[end]
    if outcome.confirmed:
        return f"{why}; signal and supply were switched off and the rail seen to be down"
    missing = [role for role, reply in outcome.off.items() if not reply]
    missing += [] if outcome.rail_is_down else ["rail"]
    return f"{why}; NOT CONFIRMED SAFE: {', '.join(missing)}"


def last_record(path: Path) -> str | None:
    """What a guardian of an earlier night did, in one sentence; None where it had nothing to do."""
    try:
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines() if line.strip()]
    except (OSError, ValueError):
        return None
    own = [line["what"] for line in lines if line.get("who") == "guardian"]
    return str(own[-1]) if own else None


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
