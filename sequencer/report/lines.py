"""One plain line per finished point, for whoever watches a night go by. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sequencer.report import words

MOST_VALUES = 4


def point_line(serial: str, row: Mapping[str, Any]) -> str:
    """`MV-0117 p001 8R, 20 cycles 1 kHz: A 62.1 W, B 61.4 W at 1 % THD; 11 shots`."""
    if row["measurement"] != "output_power":
        return _of_values(serial, row)
    head = f"{serial} {row['id']} {row['load']}, {words.drive(row)}"
    if row["outcome"] != "measured":
        return f"{head}: not measured: {row['reason']}"
    watts = ", ".join(f"{c['channel']} {c['power_w']:.1f} W" for c in row["channels"])
    ended = str(row["stopped_by"]).replace("_", " ")
    return f"{head}: {watts} within {row['stop_limit']:g} %; ended by {ended}; {row['shots']} shots"


def _of_values(serial: str, row: Mapping[str, Any]) -> str:
    """`MV-0117 p002 8R, output offset: A 0.0042 V, B -0.0067 V; 1 of 2 within`; what nobody could measure is told
    apart from it."""
    head = f"{serial} {row['id']} {row['load']}, {row['measurement'].replace('_', ' ')}"
    if row["outcome"] != "measured":
        return f"{head}: {row['outcome'].replace('_', ' ')}: {row['reason']}"
    shown = [v for v in row["values"] if v["value"] is not None][:MOST_VALUES]
    told = ", ".join(f"{v['channel'] + ' ' if v['channel'] else ''}{v['value']:.3g} {v['unit']}" for v in shown)
    left = len(row["values"]) - len(shown)
    judged = [v["judgement"] for v in row["values"] if v["judgement"] not in (None, "", "not measured")]
    counted = f"; {judged.count('within')} of {len(judged)} within" if judged else ""
    counted += _not_measured([v for v in row["values"] if v["judgement"] == "not measured"])
    return f"{head}: {told or 'nothing seen'}{f' and {left} more' if left else ''}{counted}"


def _not_measured(values: Sequence[Mapping[str, Any]]) -> str:
    """ "; 6 not measured: nobody there": the reason where they have one in common."""
    reasons = {words.clean(v.get("reason") or "").partition(":")[0] for v in values}
    why = next(iter(reasons)) if len(reasons) == 1 else ""
    return f"; {len(values)} not measured{f': {why}' if why else ''}" if values else ""
