"""The reference unit's two runs of one span of work, compared by the rows in the ledger."""

from __future__ import annotations

from pathlib import Path

from sequencer.ledger.results import write_results
from sequencer.ledger.store import Ledger
from sequencer.night.reference import differences


def not_again(path: Path, first: str, why: str) -> str:
    """As where the two differ: a bench that was not looked at again is not known to have stayed what it was."""
    with Ledger(path) as ledger:
        (run,) = ledger.results((first,))["runs"]
        told = f"since {run['begun'][:16]}: {why}"
        ledger.mark_suspect(told)
        write_results(path.parent, ledger)
    return f"in doubt: {told}"


def compared(path: Path, first: str, last: str) -> list[str]:
    """Marks the ledger's numbers as in doubt where the two differ; returns lines that say what was found."""
    with Ledger(path) as ledger:
        runs = {run["id"]: run for run in ledger.results((first, last))["runs"]}
        before, now = runs[first], runs[last]
        serial = before["unit"]["serial"]
        apart = differences(before["points"], now["points"])
        if not apart:
            return [f"reference unit {serial}: the same last as first"]
        since = f"between {before['begun'][:16]} and {now['begun'][:16]}"
        why = f"reference unit {serial}, first and last, {since}: " + "; ".join(apart)
        ledger.mark_suspect(why)
        write_results(path.parent, ledger)
    return [f"in doubt: {why}"]
