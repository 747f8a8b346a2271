"""From kept traces to what a drawing of one shot needs. Pure: arrays in, arrays out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from sequencer.analysis.records import Record
from sequencer.report.plots import ShotPicture, Wave

Row = Mapping[str, Any]
Records = Mapping[str, Record]


@dataclass(frozen=True)
class Kept:
    """Records by digitiser input of a point's accepted shot, and of the first above it where that was kept."""

    accepted: Records | None
    above: Records | None = None
    trouble: str = ""


def longest(points: Sequence[Row]) -> list[Row]:
    """Of each load the point with the longest burst: where heat and rail tell the most. In running order.

    A steady tone is no burst: it stands here only where a load has nothing else.
    """
    by_load: dict[Any, Row] = {}
    for point in points:
        held = by_load.get(point.get("load"))
        if held is None or _length(point) > _length(held):
            by_load[point.get("load")] = point
    return list(by_load.values())


def _length(point: Row) -> tuple[bool, int]:
    return not point.get("steady"), point.get("cycles") or 0


def picture(run: Row, point: Row, kept: Kept | None) -> tuple[str, ShotPicture] | str:
    """(channel, drawing's numbers) of the channel that ended the ramp, or why there is none."""
    if kept is None or kept.accepted is None:
        return (kept.trouble if kept else "") or "its accepted trace was not kept"
    channel = point.get("stopped_by_channel") or point["channels"][0]["channel"]
    wired = inputs(run, point)
    own = wired.get(f"output {channel}")
    if own is None or own not in kept.accepted:
        return f"which input saw channel {channel} is not in these results"
    row = next(c for c in point["channels"] if c["channel"] == channel)
    span = _last_cycle_s(point)
    if span is None:
        return "its burst has no length in these results"
    highest, lowest = row.get("crest_pos_v"), row.get("crest_neg_v")
    return channel, ShotPicture(
        accepted=_wave(kept.accepted[own]),
        above=_wave(kept.above[own]) if kept.above and own in kept.above else None,
        rail=_rail(kept.accepted, wired, point),
        last_cycle_s=span,
        crests_v=None if highest is None or lowest is None else (highest, lowest),
    )


def inputs(run: Row, point: Row) -> dict[str, str]:
    """What was seen -> the input that saw it. Older results say it only in the names of the uncertainty's parts."""
    if run.get("wiring"):
        return {str(seen): str(name) for name, seen in run["wiring"].items()}
    found = {}
    for channel in point["channels"]:
        for part in channel.get("uncertainty_parts_w") or ():
            kind, _, rest = part.partition(":")
            if kind == "probe":
                found[f"output {channel['channel']}"] = rest
    return found


def _last_cycle_s(point: Row) -> tuple[float, float] | None:
    cycles, hz = point.get("cycles"), point.get("frequency_hz")
    return ((cycles - 1) / hz, cycles / hz) if cycles and hz else None


def _rail(records: Records, wired: Mapping[str, str], point: Row) -> Wave | None:
    seen = any(rail.get("seen") == "burst trace" for rail in point.get("rails") or ())
    name = wired.get("rail")
    return _wave(records[name]) if seen and name is not None and name in records else None


def _wave(record: Record) -> Wave:
    times = record.start_s + record.sample_interval_s * np.arange(record.volts.size, dtype=np.float64)
    return Wave(np.asarray(times, np.float64), np.asarray(record.volts, np.float64))
