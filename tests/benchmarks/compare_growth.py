"""`python -m tests.benchmarks.compare_growth [RUNS ...]`: what comparisons cost as a ledger grows.

Budgets at 10,000 runs: the last 100 units' batch 2 s, a unit's history 0.5 s; printed beside what was measured. Each
ledger holds runs of a rehearsed night (six points of two channels), five of each unit.
"""

from __future__ import annotations

import json
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before numpy comes in

from sequencer.comparing.batches import usual
from sequencer.comparing.history import histories
from sequencer.comparing.index import INDEX_NAME, Index
from sequencer.compose import DryRun, dry_run
from sequencer.ledger.opening import LEDGER_NAME
from sequencer.ledger.plain import row_to_line
from sequencer.ledger.store import Ledger
from tests.benchmarks.table import Row

SIZES = (10, 100, 1000, 10_000)
EACH = 5  # runs of one unit
HEAD = ("points", "trips", "findings", "ended", "outcome")
BUDGETS_S = {"batch of the last 100 units": 2.0, "history of one unit": 0.5}


def ledger_of(folder: Path, runs: list[dict[str, Any]], count: int) -> Path:
    """So many runs, in turn those given, each under its own id, serial and date."""
    folder.mkdir()
    Ledger(folder / LEDGER_NAME).close()
    lines = [[row_to_line(point) for point in run["points"]] for run in runs]
    with sqlite3.connect(folder / LEDGER_NAME) as database:
        database.execute("PRAGMA synchronous = OFF")
        for i in range(count):
            run, own = runs[i % len(runs)], f"r{i:06}"
            begun = f"20{10 + i // 1008:02}-{1 + i % 1008 // 84:02}-{1 + i % 84 // 3:02}T{20 + i % 3}:00:00.000+00:00"
            unit = {"serial": f"MV-{i % max(1, count // EACH):05}", "model": run["unit"]["model"]}
            head = {k: v for k, v in run.items() if k not in HEAD} | {"id": own, "unit": unit, "begun": begun}
            told = (own, row_to_line(head), begun)
            database.execute("INSERT INTO run (id, head, ended, outcome) VALUES (?, ?, ?, 'finished')", told)
            points = [(own, f"p{n:03}", line) for n, line in enumerate(lines[i % len(runs)])]
            database.executemany("INSERT INTO point (run_id, id, row) VALUES (?, ?, ?)", points)
    database.close()
    return folder


def seconds(act: Callable[[], Any], rounds: int = 1) -> float:
    times = []
    for _ in range(rounds):
        begun = time.perf_counter()
        act()
        times.append(time.perf_counter() - begun)
    return min(times)


def opened(place: Path) -> int:
    with Index(place) as index:
        return index.count()


def history(place: Path) -> int:
    with Index(place) as index:
        return len(histories(index.of_unit("MV-00001")))


def batch(place: Path) -> int:
    with Index(place) as index:
        return len(usual(index.last_units(100)))


def command_s(*words: str) -> float:
    """The whole command, from a new interpreter to its last line."""
    command = [sys.executable, "-P", "-m", "sequencer", "compare", *words]
    return seconds(lambda: subprocess.run(command, check=True, capture_output=True), 3)


def row_of(folder: Path, runs: list[dict[str, Any]], count: int) -> dict[str, float]:
    place = ledger_of(folder, runs, count)
    first = seconds(lambda: opened(place))
    return {
        "runs": count,
        "ledger MB": (place / LEDGER_NAME).stat().st_size / 1e6,
        "index MB": (place / INDEX_NAME).stat().st_size / 1e6,
        "first time s": first,
        "open again s": seconds(lambda: opened(place), 5),
        "history of one unit s": seconds(lambda: history(place), 5),
        "batch of the last 100 units s": seconds(lambda: batch(place), 3),
        "command, history s": command_s(f"{place}:MV-00001", "--by", "history"),
        "command, batch s": command_s(str(place), "--by", "batch"),
    }


def measured(sizes: Sequence[int]) -> list[dict[str, float]]:
    """A row for each size."""
    with tempfile.TemporaryDirectory(prefix="nightramp-growth-") as made:
        night = Path(made) / "night"
        dry_run(DryRun(plan="demo", out=night), say=lambda line: None)
        runs = json.loads((night / "results.json").read_text())["runs"]
        return [row_of(Path(made) / str(count), runs, count) for count in sizes]


def rows() -> list[Row]:
    """Of the largest, against the smallest: how the cost grows."""
    least, *_, most = measured(SIZES)
    names = [name for name in most if name.endswith(" s")]
    part, floor_is = f"compare, {most['runs']:.0f} runs", f"with {least['runs']:.0f} runs"
    return [Row(part, name[:-2], 1e3 * most[name], "ms", floor_is, 1e3 * least[name], _budget(name)) for name in names]


def _budget(name: str) -> str:
    return next((f"budget {most_s:g} s" for what, most_s in BUDGETS_S.items() if name.startswith(what)), "")


def main(sizes: list[int]) -> None:
    rows = measured(sizes)
    for name in rows[0]:
        print(f"{name:32}" + "".join(f"{row[name]:12.3f}" for row in rows))
    for name, budget_s in BUDGETS_S.items():
        print(f"budget, {name}: {budget_s:g} s")


if __name__ == "__main__":
    main([int(word) for word in sys.argv[1:]] or list(SIZES))
