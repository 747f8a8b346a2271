"""One plain line per finished point, for whoever watches a night go by. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def point_line(serial: str, row: Mapping[str, Any]) -> str:
    """`MV-0117 p001 8R, 20 cycles 1 kHz: A 62.1 W, B 61.4 W at 1 % THD; 11 shots`."""
    cycles = f"{row['cycles']} cycle{'' if row['cycles'] == 1 else 's'}"
    frequency = row["frequency_hz"]
    drive = f"{cycles} {frequency / 1000:g} kHz" if frequency >= 1000 else f"{cycles} {frequency:g} Hz"
    head = f"{serial} {row['id']} {row['load']}, {drive}"
    if row["outcome"] != "measured":
        return f"{head}: not measured: {row['reason']}"
    watts = ", ".join(f"{c['channel']} {c['power_w']:.1f} W" for c in row["channels"])
    ended = str(row["stopped_by"]).replace("_", " ")
    return f"{head}: {watts} within {row['stop_limit']:g} %; ended by {ended}; {row['shots']} shots"
