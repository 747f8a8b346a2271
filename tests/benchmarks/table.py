"""One row of the table: a figure of ours, its floor measured in the same run, their ratio; and the table as text, held
against the last one."""

from __future__ import annotations

import json
import statistics
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

CLOCK = time.perf_counter  # real time is what a benchmark measures


@dataclass(frozen=True)
class Row:
    """value and floor in `unit`; floor_is says what the floor is. A row without a floor is a share, a count or a
    budget: budget_is says which."""

    part: str
    what: str
    value: float
    unit: str
    floor_is: str = ""
    floor: float | None = None
    budget_is: str = ""

    @property
    def name(self) -> str:
        return f"{self.part}: {self.what}"

    @property
    def ratio(self) -> float | None:
        return None if not self.floor else self.value / self.floor


def as_text(rows: Sequence[Row], before: Mapping[str, Mapping[str, Any]]) -> str:
    """A line each. before: rows of the last table by name."""
    lines = [f"{'what':58} {'ours':>10} {'':8} {'floor':>10} {'ratio':>7} {'before':>7}  floor is"]
    for row in rows:
        old = before.get(row.name, {})
        was = old.get("ratio") if row.ratio is not None else old.get("value")
        lines.append(
            f"{row.name:58} {row.value:10.4g} {row.unit:8} {_number(row.floor, 10)} {_number(row.ratio, 7)}"
            f" {_number(was, 7)}  {'; '.join(filter(None, (row.floor_is, row.budget_is)))}"
        )
    return "\n".join(lines)


def _number(value: float | None, width: int) -> str:
    return " " * width if value is None else f"{value:{width}.3g}"


def last_of(path: Path) -> dict[str, dict[str, Any]]:
    """Rows by name; nothing where there was no run before."""
    try:
        kept = json.loads(path.read_text())
        return {row["name"]: row for row in kept["rows"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def keep(path: Path, rows: Sequence[Row], before: Mapping[str, Mapping[str, Any]], about: Mapping[str, Any]) -> None:
    """These rows, and of the last table those that were not measured again."""
    path.parent.mkdir(exist_ok=True)
    told = dict(before) | {row.name: asdict(row) | {"name": row.name, "ratio": row.ratio} | about for row in rows}
    path.write_text(json.dumps({"rows": list(told.values())}, indent=1, sort_keys=True))


def median_s(act: Callable[[], Any], rounds: int = 9) -> float:
    times = []
    for _ in range(rounds):
        begun = CLOCK()
        act()
        times.append(CLOCK() - begun)
    return statistics.median(times)
