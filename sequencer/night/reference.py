"""The reference unit, measured first and last in a night: has the bench stayed what it was? Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

POWER_DB = 0.15  # common practice, no source
AMPS_PCT = 3.0  # common practice, no source

Row = Mapping[str, Any]


def differences(first: Sequence[Row], last: Sequence[Row]) -> list[str]:
    """Sentences, none where both are alike: power within 0.15 dB, idle current within 3 %."""
    later = {_key(row): row for row in last}
    apart: list[str] = []
    for row in first:
        again = later.get(_key(row))
        if again is None:
            apart.append(f"{row['stage']} was not measured again")
            continue
        if row["outcome"] != again["outcome"]:
            apart.append(f"{row['stage']} was {_was(row)} first and {_was(again)} last")
        apart += [*_powers(row, again), *_idle(row, again)]
    return list(dict.fromkeys(apart))


def _was(row: Row) -> str:
    return str(row["outcome"]).replace("_", " ")


def _key(row: Row) -> tuple[Any, ...]:
    return row["id"], row["measurement"], row.get("load")


def _powers(row: Row, again: Row) -> Iterator[str]:
    watts = {c["channel"]: c["power_w"] for c in again.get("channels") or ()}
    for channel in row.get("channels") or ():
        name, before_w = channel["channel"], channel["power_w"]
        after_w = watts.get(name)
        if after_w is None or before_w <= 0.0 or after_w <= 0.0:
            continue
        change_db = 10.0 * math.log10(after_w / before_w)
        if abs(change_db) > POWER_DB:
            yield f"{row['id']} channel {name} {change_db:+.2f} dB (at most {POWER_DB:g})"


def _idle(row: Row, again: Row) -> Iterator[str]:
    if row["measurement"] != "idle_current":
        return
    values = {v["name"]: v["value"] for v in again.get("values") or () if v["unit"] == "A"}
    for value in row.get("values") or ():
        after = values.get(value["name"])
        if value["unit"] != "A" or not value["value"] or after is None:
            continue
        change_pct = 100.0 * (after / value["value"] - 1.0)
        if abs(change_pct) > AMPS_PCT:
            yield f"{row['id']} {value['name']} {change_pct:+.1f} % (at most {AMPS_PCT:g})"
