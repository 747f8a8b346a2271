"""The reference unit's two runs of a night on paper: how far its last reading lies from its first. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.report import words

Row = Mapping[str, Any]


def marks(runs: Sequence[Row]) -> dict[str, str]:
    """Run id -> "reference, first" or "reference, last"; a single run of it is "reference"."""
    told: dict[str, str] = {}
    for some in _by_serial(runs).values():
        names = ["reference"] if len(some) == 1 else ["reference, first", *["reference, again"] * (len(some) - 2)]
        names += ["reference, last"] if len(some) > 1 else []
        told |= {run["id"]: name for run, name in zip(some, names, strict=True)}
    return told


def repeated(runs: Sequence[Row]) -> set[str]:
    """Ids of the runs that measure a unit again: no median counts one unit twice."""
    return {run["id"] for some in _by_serial(runs).values() for run in some[1:]}


def sentences(runs: Sequence[Row]) -> list[str]:
    """One line for each reference unit that was measured twice: the largest change of power and of idle current."""
    return [_apart(some[0], some[-1]) for some in _by_serial(runs).values() if len(some) > 1]


def _by_serial(runs: Sequence[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = {}
    for run in sorted(runs, key=lambda one: str(one["begun"])):
        if run.get("reference"):
            found.setdefault(run["unit"]["serial"], []).append(run)
    return found


def _apart(first: Row, last: Row) -> str:
    """dB = 10 lg(W last / W first); % of W beside it, since both are read."""
    powers = list(_ratios(first, last, _watts))
    idles = list(_ratios(first, last, _idle_a))
    told = f"Reference {words.clean(first['unit']['serial'])}, last against first: "
    if not powers and not idles:
        return told + "nothing was measured in both runs."
    said = []
    if powers:
        where, most = max(powers, key=lambda one: abs(math.log(one[1])))
        db, pct = 10.0 * math.log10(most), 100.0 * (most - 1.0)
        said.append(f"power at most {_signed(db, 3)} dB ({_signed(pct, 2)} %), at {where}")
    if idles:
        where, most = max(idles, key=lambda one: abs(math.log(one[1])))
        said.append(f"idle current at most {_signed(100.0 * (most - 1.0), 2)} %, {where}")
    return told + "; ".join(said) + "."


def _signed(value: float, decimals: int) -> str:
    shown = words.fixed(value, decimals)
    return f"+{shown}" if value > 0 and float(shown) else shown


def _ratios(first: Row, last: Row, of: Any) -> Iterator[tuple[str, float]]:
    later = {key: value for point in last["points"] for key, _, value in of(point)}
    for point in first["points"]:
        for key, where, before in of(point):
            after = later.get(key)
            if before and after and before > 0.0 and after > 0.0:
                yield where, after / before


def _watts(point: Row) -> Iterator[tuple[tuple[str, str], str, float]]:
    for channel in point.get("channels") or ():
        watts = channel.get("power_at_limit_w") or channel["power_w"]
        yield (point["id"], channel["channel"]), f"{words.where(point)}, {words.clean(channel['channel'])}", watts


def _idle_a(point: Row) -> Iterator[tuple[tuple[str, str], str, float]]:
    if point["measurement"] != "idle_current":
        return
    for value in point.get("values") or ():
        if value.get("unit") == "A" and value["value"] is not None:
            yield (point["id"], value["name"]), words.name(value["name"]).partition(", ")[2] or "idle", value["value"]
