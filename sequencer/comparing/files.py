"""Comparisons, customers' pages and tables as files: written whole or not at all, never outside the folder named."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sequencer.comparing.csv_text import Cell
from sequencer.comparing.customer import customer_page
from sequencer.comparing.rows_of import json_text, rows_of_results, table_text
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.names import safe_name
from sequencer.ledger.results import write_whole
from sequencer.report.blocks import Page
from sequencer.report.pages import environment

COMPARE, CUSTOMERS, RESULTS_CSV = "compare", "customers", "results.csv"

Row = Mapping[str, Any]


def page_html(page: Page) -> str:
    return environment().get_template("compare.html").render(page=page)


def write_comparison(out: Path, kind: str, page: Page, rows: Sequence[Mapping[str, Cell]]) -> list[Path]:
    """compare.html, compare.json, compare.csv in that folder. Raises InputRefused where it is none."""
    _folder(out)
    texts = {"html": page_html(page), "json": json_text(kind, rows), "csv": table_text(rows)}
    return [_write(out / f"{COMPARE}.{kind_of}", text) for kind_of, text in texts.items()]


def write_results_csv(out: Path, results: Mapping[str, Any]) -> Path:
    """Every power and every value, one a row."""
    _folder(out)
    return _write(out / RESULTS_CSV, table_text(rows_of_results(results)))


def write_customers(
    out: Path, runs: Sequence[Row], before: Mapping[str, Row | None], suspect: str | None = None
) -> list[Path]:
    """One page a run into `customers/`. before: the earlier run that each run's id is held against."""
    _folder(out)
    template = environment().get_template("customer.html")
    return [
        _write(
            out / CUSTOMERS / f"{safe_name(run['unit']['serial'])}+{safe_name(run['id'])}.html",
            template.render(page=customer_page(run, before.get(run["id"]), suspect)),
        )
        for run in runs
    ]


def earlier_of(run: Row, runs: Sequence[Row]) -> Row | None:
    """The first run of the same unit that began before this one, under another label: what it was as it came in. One
    of the same label is the same state once more."""
    found = [
        one
        for one in runs
        if one["unit"]["serial"] == run["unit"]["serial"]
        and str(one["begun"]) < str(run["begun"])
        and (one.get("label") or "").casefold() != (run.get("label") or "").casefold()
    ]
    return min(found, key=lambda one: str(one["begun"]), default=None)


def _folder(out: Path) -> None:
    if out.exists() and not out.is_dir():
        raise InputRefused([Problem("command line", "--out", str(out), "is not a folder; name another")])


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, text.encode("utf-8", "backslashreplace"))
    return path
