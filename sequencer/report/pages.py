"""Sheets and the batch page as files: reads results and traces, fills the templates, writes whole files or none."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.names import safe_name
from sequencer.ledger.opening import LEDGER_NAME, read_as_input
from sequencer.ledger.results import RESULTS_NAME, read_results, write_whole
from sequencer.ledger.store import Ledger
from sequencer.ledger.traces import read_trace
from sequencer.report.batch import batch
from sequencer.report.power_sections import powered
from sequencer.report.sheet import sheet
from sequencer.report.shots import Kept, Records, longest

Row = Mapping[str, Any]

UNBROKEN_AT_MOST, BREAK_EVERY = 14, 4
SHEET_NAME, BATCH_NAME, SHEETS = "sheet.html", "batch.html", "sheets"


def write_pages(
    source: Path,
    run_id: str | None = None,
    out: Path | None = None,
    instead: Mapping[str, Any] | None = None,
    *,
    only_new: bool = False,
) -> Path:
    """Writes `sheet.html` for one run, `batch.html` and `sheets/` for several; returns the page to open first.

    source: results.json, a ledger, or the folder that holds them. instead: results to show in place of its own.
    only_new: of several, a run that has ended keeps the sheet it has.
    Raises InputRefused: nothing there to read, no such run, a night without a run.
    """
    results = instead or read_night(source)
    folder = source if source.is_dir() else source.parent
    runs = _chosen(source, results["runs"], run_id)
    out = out or folder
    if len(runs) == 1:
        return _write(out / SHEET_NAME, _sheet(runs[0], folder, results.get("suspect")))
    names = {run["id"]: f"{SHEETS}/{safe_name(run['unit']['serial'])}+{safe_name(run['id'])}.html" for run in runs}
    for run in runs:
        if only_new and run["ended"] is not None and (out / names[run["id"]]).exists():
            continue
        _write(out / names[run["id"]], _sheet(run, folder, results.get("suspect"), f"../{BATCH_NAME}"))
    page = environment().get_template("batch.html").render(page=batch(results, names))
    return _write(out / BATCH_NAME, page)


def read_night(source: Path) -> dict[str, Any]:
    """Results from results.json; from the ledger where it is named, or where a night ended without results."""
    if source.is_dir() and not (source / RESULTS_NAME).exists() and (source / LEDGER_NAME).exists():
        source = source / LEDGER_NAME
    if source.suffix == Path(LEDGER_NAME).suffix:
        with read_as_input(source), Ledger(source, read_only=True) as ledger:
            return ledger.results()
    return read_results(source)


def _chosen(source: Path, runs: list[Row], run_id: str | None) -> list[Row]:
    found = [run for run in runs if run_id in (None, run["id"])]
    if found:
        return found
    known = ", ".join(run["id"] for run in runs) or "it holds none"
    raise InputRefused([Problem(str(source), "run", run_id or "none", f"name one of its runs: {known}")])


def _sheet(run: Row, folder: Path, suspect: str | None, batch_link: str = "") -> str:
    page = sheet(run, _traces(run, folder), suspect)
    return environment().get_template("sheet.html").render(page=page, batch_link=batch_link)


def _traces(run: Row, folder: Path) -> dict[str, Kept]:
    """Only of the points that are drawn."""
    return {point["id"]: _kept(point, folder) for point in longest(powered(run))}


def _kept(point: Row, folder: Path) -> Kept:
    named = {
        kind: name for name in point.get("traces") or () for kind in ("accepted", "above") if f"+{kind}.npz" in name
    }
    try:
        return Kept(_records(folder, named.get("accepted")), _records(folder, named.get("above")))
    except InputRefused as refused:
        return Kept(None, trouble=f"its trace cannot be read ({refused.problems[0].remedy})")


def _records(folder: Path, name: str | None) -> Records | None:
    """Of a trace inside the night's folder: a name that climbs out of it is not followed."""
    if name is None:
        return None
    path = folder / name
    if not path.resolve().is_relative_to(folder.resolve()) or not path.is_file():
        raise InputRefused([Problem(str(path), "trace", "not found", "the file is not there")])
    return read_trace(path).records


def breakable(text: str) -> Markup:
    """Escaped; a name longer than any word of ours gets places where it may go on in the next line."""
    return Markup().join(map(_word, re.split(r"(\s+)", text)))


def _word(word: str) -> Markup:
    every = BREAK_EVERY if len(word) > UNBROKEN_AT_MOST else len(word) or 1
    return Markup("<wbr>").join(word[i : i + every] for i in range(0, len(word), every))


def environment(package: str = "sequencer.report") -> Environment:
    """Of every page, with the templates of that package: all that goes in is escaped."""
    made = Environment(
        loader=PackageLoader(package),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["breakable"] = breakable
    return made


def _write(path: Path, text: str) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, text.encode("utf-8", "backslashreplace"))
    return path
