"""Comparisons as flat rows: what CSV and JSON hold, all of it, unrounded. Pure."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sequencer.comparing.batches import Usual
from sequencer.comparing.csv_text import Cell, csv_text
from sequencer.comparing.differences import Difference, Pair, Unlike
from sequencer.comparing.figures import Figure, Measured, measured
from sequencer.comparing.history import History

Rows = list[dict[str, Cell]]
FORMAT, WAYS = 1, ("runs", "model", "history", "batch")


def comparison_schema() -> dict[str, Any]:
    """JSON Schema of compare.json. Rows are flat; more columns may come."""
    one: dict[str, Any] = {"type": "object", "additionalProperties": {"type": ["string", "number", "boolean", "null"]},
           "required": ["key", "what", "channel", "unit"]}  # fmt: skip
    return {
        "title": "Comparison",
        "description": "runs: second minus first of each figure; model: a unit against its model; history: one row for "
        "each reading; batch: one row for each figure. key: what was measured and how, the same over plans and years; "
        "numbers are in the row's unit, slopes in it a year; expanded uncertainties at 95 %; null: not known.",
        "type": "object",
        "properties": {
            "format": {"const": FORMAT},
            "kind": {"enum": list(WAYS)},
            "rows": {"type": "array", "items": one},
        },
        "required": ["format", "kind", "rows"],
    }


def rows_of_pairs(pairs: Sequence[Pair]) -> Rows:
    return [{**_two(pair.first, pair.second), **_difference(one)} for pair in pairs for one in pair.differences]


def rows_of_model(unit: Measured, found: Sequence[Unlike]) -> Rows:
    return [
        {
            **_run("", unit), **_figure(one.figure), "units": one.among.count, "median": one.among.median,
            "median_absolute_deviation": one.among.mad, "lowest": one.among.lowest, "highest": one.among.highest,
            "modified_z": one.z, "unlike": None if one.z is None else one.unlike, "apart": one.apart.value,
            "apart_expanded_uncertainty": one.apart.expanded,
        }
        for one in found
    ]  # fmt: skip


def rows_of_history(found: Sequence[History]) -> Rows:
    return [
        {
            **_run("", reading.run), **_figure(reading.figure), "years": reading.years,
            "slope_per_year": one.drift.slope if one.drift else None,
            "slope_expanded_uncertainty": one.drift.expanded if one.drift else None,
            "drifts": one.drift.drifts if one.drift else None,
        }
        for one in found
        for reading in one.readings
    ]  # fmt: skip


def rows_of_batch(found: Sequence[Usual]) -> Rows:
    return [_usual(one) for one in found]


def _usual(one: Usual) -> dict[str, Cell]:
    kept, limited = dict(one.kept), one.low is not None or one.high is not None
    cp, cpk = (one.capable.cp, one.capable.cpk) if one.capable else (None, None)
    told: dict[str, Cell] = {
        "model": one.model, "key": one.key, "what": one.what, "channel": one.channel, "unit": one.unit,
        "units": one.among.count, "median": one.among.median, "median_absolute_deviation": one.among.mad,
        "lowest": one.among.lowest, "highest": one.among.highest, "apart": len(one.apart),
        "units_apart": "; ".join(each.run.serial for each in one.apart),
        "rated": one.low if one.key.startswith("power|") else None,
        "lowest_allowed": one.low, "highest_allowed": one.high,
        "cp": cp.value if cp else None, "cp_low": cp.low if cp else None, "cp_high": cp.high if cp else None,
        "cpk": cpk.value if cpk else None, "cpk_low": cpk.low if cpk else None, "cpk_high": cpk.high if cpk else None,
    }  # fmt: skip
    for held in ("within", "within, near", "outside, near", "outside"):
        told[held.replace(", ", "_")] = kept.get(held, 0) if limited else None
    return told


def rows_of_results(results: Mapping[str, Any]) -> Rows:
    """Every power and every value of a night's results, one a row: what `report --csv` writes."""
    runs = [measured(run, results.get("suspect")) for run in results["runs"]]
    return [{**_run("", run), "outcome": run.outcome, **_figure(one)} for run in runs for one in run.figures]


def json_text(kind: str, rows: Sequence[Mapping[str, Cell]]) -> str:
    """One object: format, what was compared, and its rows."""
    whole = {"format": FORMAT, "kind": kind, "rows": [dict(row) for row in rows]}
    return json.dumps(whole, indent=1, sort_keys=True, allow_nan=False) + "\n"


def table_text(rows: Sequence[Mapping[str, Cell]]) -> str:
    return csv_text(columns(rows), rows)


def columns(rows: Sequence[Mapping[str, Cell]]) -> list[str]:
    """Of all rows, in the order in which they come up."""
    return list(dict.fromkeys(name for row in rows for name in row))


def _two(first: Measured, second: Measured) -> dict[str, Cell]:
    return {**_run("first_", first), **_run("second_", second)}


def _run(before: str, run: Measured) -> dict[str, Cell]:
    told = {"serial": run.serial, "model": run.model, "label": run.label, "bench": run.bench, "plan": run.plan,
            "run": run.id, "begun": run.begun}  # fmt: skip
    return {f"{before}{name}": value for name, value in told.items()}


def _figure(one: Figure) -> dict[str, Cell]:
    return {
        "key": one.key, "what": one.what, "channel": one.channel, "unit": one.unit, "value": one.value,
        "expanded_uncertainty": one.expanded, "ended_before_its_limit_by": one.at_least or None,
        "rated": one.low if one.is_power else None, "lowest_allowed": one.low, "highest_allowed": one.high,
    }  # fmt: skip


def _difference(one: Difference) -> dict[str, Cell]:
    return {
        "key": one.second.key, "what": one.second.what, "channel": one.second.channel, "unit": one.second.unit,
        "first": one.first.value, "first_expanded_uncertainty": one.first.expanded, "second": one.second.value,
        "second_expanded_uncertainty": one.second.expanded, "difference": one.value,
        "difference_expanded_uncertainty": one.expanded, "difference_pct": one.pct, "coverage_factor": one.factor,
        "shared": "; ".join(one.shared), "means": one.means, "note": one.note,
    }  # fmt: skip
