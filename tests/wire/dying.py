"""A small rehearsal as a process that kills itself (SIGKILL) at a stated moment: `python -m tests.wire.dying`.

Words: the folder (a bench file in it is its bench), "begin" or "resume", and how it dies: "message N" as the simulated
bench takes its Nth message, "before N" or "after N" the commit of the Nth row it keeps, "proof N" in the middle of what
follows the Nth thing it keeps of going on, "never 0".
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path
from typing import Any

from sequencer.compose import DryRun, Rig, dry_run
from sequencer.ledger.store import Ledger
from sequencer.resuming import begun


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


IN_THE_MIDDLE = 40  # messages


class Count:
    """Messages that the bench has taken. last: it dies at that one."""

    def __init__(self, last: int) -> None:
        self.taken, self.last = 0, last

    def log(self, now_ns: int, front: str, message: str, reply: bytes | None) -> None:
        self.taken += 1
        if self.taken == self.last:
            die()


def die_at_row(when: str, last: int) -> None:
    honest, kept = Ledger.keep_point, 0

    def keep_point(self: Ledger, *words: Any) -> tuple[int, ...]:
        nonlocal kept
        kept += 1
        if (when, kept) == ("before", last):
            die()
        found = honest(self, *words)
        if (when, kept) == ("after", last):
            die()
        return found

    Ledger.keep_point = keep_point  # type: ignore[method-assign]


def die_while_proving(last: int, count: Count) -> None:
    honest, kept = Ledger.resume_run, 0

    def resume_run(self: Ledger, *words: Any) -> None:
        nonlocal kept
        honest(self, *words)
        kept += 1
        if kept == last:
            count.last = count.taken + IN_THE_MIDDLE

    Ledger.resume_run = resume_run  # type: ignore[method-assign]


def main(folder: Path, how: str, when: str, number: str, *units: str) -> int:
    count = Count(int(number) if when == "message" else 0)
    if when in ("before", "after"):
        die_at_row(when, int(number))
    if when == "proof":
        die_while_proving(int(number), count)
    out, rig = folder / "night", Rig(log=count.log)
    if how == "resume":
        asked = DryRun(again=begun(out, simulated=True), rig=rig)
    else:
        bench = next((str(one) for one in folder.glob("*workshop.toml")), "workshop")
        asked = DryRun(plan=str(folder / "plan.toml"), units=units, bench=bench, out=out, rig=rig)
    done = dry_run(asked, print)
    print(done.text)
    print(f"messages: {count.taken}")
    return done.exit_code


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), *sys.argv[2:]))
