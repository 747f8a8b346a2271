"""What a daemon that died left behind in the queue: a run without an end goes on, if it can."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.queue import Entry, Queue
from sequencer.ledger.store import Ledger
from sequencer.plan.inputs import Loaded
from sequencer.plan.models import Bench
from sequencer.real_run import Ready, RealRun, proved
from sequencer.resuming import begun

DIED = "the last daemon died during it"
NOT_BEGUN = "the last daemon died before its run began"


def settle_left(queue: Queue, ledger: Path, say: Callable[[str], None]) -> list[Entry]:
    """Entries that are still taken, at a start: the lock is ours, so nobody works on them. Those whose run has no end
    are returned, to go on; the others are settled by what the ledger has of them."""
    left = queue.entries("taken")
    outcomes = _outcomes(ledger) if left else {}
    going_on = []
    for entry in left:
        outcome = outcomes.get(entry.run_id or "", NOT_BEGUN)
        if outcome == "unfinished":
            say(f"entry {entry.number} (unit {entry.serial}): {DIED}; its run goes on")
            going_on.append(entry)
        elif outcome == "finished":
            queue.ended(entry.number, "done", None)
            say(f"entry {entry.number} (unit {entry.serial}): done before the last daemon died")
        else:
            why = NOT_BEGUN if outcome == NOT_BEGUN else f"its run was {outcome} when the last daemon died"
            queue.ended(entry.number, "held", why)
            say(f"entry {entry.number} (unit {entry.serial}): {why}; `queue go-on {entry.number}` begins it anew")
    return going_on


def _outcomes(ledger: Path) -> dict[str, str]:
    """Of each run that has begun: how it ended, "unfinished" where it has no end."""
    if not ledger.exists():
        return {}
    with Ledger(ledger) as opened:
        return {run["id"]: run["outcome"] if run["ended"] else "unfinished" for run in opened.runs()}


@dataclass(frozen=True)
class BrokenOff:
    """entries: whose run goes on. acted: what the guardian did since."""

    entries: Sequence[Entry] = ()
    acted: str | None = None


NOTHING_LEFT = BrokenOff()


def going_on(entry: Entry, bench: Loaded[Bench], asked: RealRun, acted: str | None) -> tuple[RealRun, Ready]:
    """The entry's run as it is to go on, on the bench whose lock is held. Raises InputRefused."""
    again = begun(asked.out or Path(), simulated=False, only=entry.run_id)
    if again.told.bench_sha256 != bench.sha256:
        remedy = "not the file that this run was begun with: serve that one, or begin the entry anew"
        raise InputRefused([Problem(str(bench.path), "bench", f"sha256 {bench.sha256[:12]}...", remedy)])
    asked = replace(asked, again=again, keep_shots=again.told.keep_shots)
    ready = proved(asked, *again.checked())
    return asked, replace(ready, night=replace(again.night({}, acted), proof=ready.night.proof))


def held_because(refused: InputRefused) -> str:
    return f"{DIED}, and it can't go on: " + "; ".join(map(str, refused.problems))
