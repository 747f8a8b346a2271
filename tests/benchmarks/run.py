"""`python -m tests.benchmarks.run [PART ...]`: one table of ratios to floors measured in the same run, kept as JSON and
held against the last one. Seconds are printed, never asserted."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before numpy comes in

from tests.benchmarks import compare_growth, ledgers, links, nights, searching, starting
from tests.benchmarks.speed import rounds
from tests.benchmarks.table import Row, as_text, keep, last_of

LATEST = Path(__file__).parent / "results" / "latest.json"


def analysis() -> list[Row]:
    """One 20-cycle burst, all that is read from it, against one rfft of its samples: the best of five rounds."""
    found = list[Row]()
    for samples in (20_000, 100_000):
        best = min(rounds(samples), key=lambda each: each["ratio"])
        found.append(Row("analysis", f"a burst of {samples} samples", best["us"], "us", "one rfft", best["rfft us"]))
    return found


PARTS: dict[str, Callable[[], list[Row]]] = {
    "start": starting.rows,
    "analysis": analysis,
    "search": searching.rows,
    "night": nights.shares,
    "trip": links.trips,
    "page": links.page,
    "guardian": links.guardian,
    "outbox": links.outbox,
    "ledger": ledgers.rows,
    "compare": compare_growth.rows,
    "memory": nights.memory,
}


def main(asked: Sequence[str]) -> int:
    unknown = sorted(set(asked) - set(PARTS))
    if unknown:
        print(f"benchmarks: unknown part {unknown[0]!r}; known are {', '.join(PARTS)}", file=sys.stderr)
        return 2
    before, found = last_of(LATEST), list[Row]()
    for part in asked or PARTS:
        print(f"measuring: {part}", file=sys.stderr, flush=True)
        found += PARTS[part]()
    print(as_text(found, before))
    about = {"python": platform.python_version(), "cores": os.cpu_count()}
    keep(LATEST, found, before, about | {"measured": datetime.now(UTC).isoformat(timespec="seconds")})
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
