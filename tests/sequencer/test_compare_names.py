"""Two hundred hostile names through every output: nothing runs, nothing leaves its folder, all stays readable."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import unicodedata
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from sequencer.comparing.batches import usual
from sequencer.comparing.csv_text import csv_text
from sequencer.comparing.differences import against_model, pair
from sequencer.comparing.figures import measured
from sequencer.comparing.files import page_html, write_comparison, write_customers, write_results_csv
from sequencer.comparing.history import histories
from sequencer.comparing.plain_text import WIDTH, page_text
from sequencer.comparing.rows_of import (
    json_text,
    rows_of_batch,
    rows_of_history,
    rows_of_model,
    rows_of_pairs,
    rows_of_results,
    table_text,
)
from sequencer.comparing.told import page_of_batch, page_of_history, page_of_model, page_of_pairs
from sequencer.ledger.names import safe_name
from sequencer.publish.messages import topic
from sequencer.report.blocks import Page
from sequencer.report.pages import write_pages
from tests.sequencer.compare_runs import hostile
from tests.sequencer.hostile_names import NAMES
from tests.sequencer.report_html import read

OURS = {
    "html", "head", "meta", "title", "style", "body", "header", "main", "footer", "h1", "h2", "p", "bdi", "wbr", "br",
    "table", "thead", "tbody", "tr", "th", "td", "section", "dl", "dt", "dd", "div", "figure", "figcaption", "svg",
    "path", "text", "circle", "a", "span", "ul", "li", "g", "defs", "clippath", "use", "rect", "clipPath",
}  # fmt: skip
ATTRIBUTES = re.compile(r"^(on\w+|src|action|formaction|srcdoc)$")
FORMULA_STARTS = set("=+-@\t\r\n\N{MINUS SIGN}＝＋－＠")


@cache
def every() -> tuple[dict[str, Any], ...]:
    assert len(NAMES) == 200
    return tuple(hostile(name, number) for number, name in enumerate(NAMES))


@cache
def pages() -> dict[str, tuple[Page, list[dict[str, Any]]]]:
    """Of every kind of comparison one that holds all two hundred names."""
    runs = [measured(run) for run in every()]
    again = [measured(hostile(name, number, " again")) for number, name in enumerate(NAMES)]
    pairs = [pair(first, second) for first, second in zip(runs, again, strict=True)]
    model = against_model(runs[0], [*runs[1:], again[0]])
    history, batch = histories([*runs, *again]), usual([*runs, *again])
    return {
        "runs": (page_of_pairs(pairs), rows_of_pairs(pairs)),
        "model": (page_of_model(runs[0], model, len(model)), rows_of_model(runs[0], model)),
        "history": (page_of_history(runs, history), rows_of_history(history)),
        "batch": (page_of_batch(runs, batch), rows_of_batch(batch)),
    }


def looked_through(text: str) -> None:
    """Elements and attributes are our own, whatever the names wanted; no mark that turns text, no control code."""
    assert "default-src 'none'" in text
    shown = read(text)
    for tag, attributes in shown.elements:
        assert tag in OURS, tag
        for name, value in attributes.items():
            assert not ATTRIBUTES.match(name), (tag, name)
            if name == "style":  # a drawing's own: no name stands in one
                assert re.fullmatch(r"[\w\s:;#.,%()'-]*", (value or "").replace("url(#", "(")), value
                assert "url(" not in (value or "").replace("url(#", "")
            if name == "href":
                assert re.fullmatch(r"#?[\w./+%-]+", value or ""), value
                assert value == "../batch.html" or ".." not in (value or "").split("/")
    odd = {c for c in text if unicodedata.category(c) in ("Cc", "Cf", "Cs") and c != "\n"}
    assert odd == set()


@pytest.mark.parametrize("kind", ["runs", "model", "history", "batch"])
def test_the_page_of_a_comparison_shows_names_as_text(kind: str) -> None:
    page, _ = pages()[kind]
    looked_through(page_html(page))


@pytest.mark.parametrize("kind", ["runs", "model", "history", "batch"])
def test_the_terminal_shows_no_control_codes_and_keeps_its_width(kind: str) -> None:
    page, _ = pages()[kind]
    told = page_text(page)
    assert {c for c in told if not c.isprintable()} <= {"\n"}
    assert max(map(len, told.splitlines())) <= WIDTH + 60  # a number is never cut
    assert len(told.splitlines()) > 3


@pytest.mark.parametrize("kind", ["runs", "history", "batch"])
def test_no_cell_of_the_table_is_a_formula(kind: str) -> None:
    """Read back by the standard library's reader: rows and columns as they were, no text that begins as a formula."""
    _, rows = pages()[kind]
    assert len(rows) >= 200
    text = table_text(rows)
    cells = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert len(cells) == len(rows) + 1
    assert {len(line) for line in cells} == {len(cells[0])}
    texts = {name for row in rows for name, value in row.items() if isinstance(value, str)}
    for line in cells[1:]:
        for name, cell in zip(cells[0], line, strict=True):
            if name in texts:
                assert not cell.lstrip(" ")[:1] or cell.lstrip(" ")[0] not in FORMULA_STARTS, cell
            assert all(c.isprintable() for c in cell)


def test_a_number_below_nought_stays_a_number() -> None:
    assert csv_text(["a", "b"], [{"a": -1.5, "b": "-1.5"}]) == "a,b\r\n-1.5,'-1.5\r\n"


@pytest.mark.parametrize("kind", ["runs", "model", "history", "batch"])
def test_json_gives_every_name_back(kind: str) -> None:
    _, rows = pages()[kind]
    text = json_text(kind, rows)
    assert text.isascii()
    found = json.loads(text)
    assert (found["format"], found["kind"], found["rows"]) == (1, kind, rows)


def test_csv_of_results_holds_every_run() -> None:
    rows = rows_of_results({"runs": every(), "suspect": None})
    assert len({row["run"] for row in rows}) == 200
    assert len(list(csv.reader(io.StringIO(table_text(rows), newline="")))) == len(rows) + 1


def inside(folder: Path) -> list[Path]:
    """All files, each really inside."""
    found = [Path(root) / name for root, _, names in os.walk(folder) for name in names]
    assert all(path.resolve().is_relative_to(folder.resolve()) for path in found)
    return found


def test_files_stay_in_their_folder_and_apart(tmp_path: Path) -> None:
    """Batch, sheets, customers' pages, table and comparison; beside them lies a folder in which nothing may change."""
    (tmp_path / "etc").mkdir()
    out = tmp_path / "deep" / "paper"
    runs = [dict(run) | {"id": f"{run['id']}{run['unit']['serial']}"[:120]} for run in every()]
    write_customers(out, runs, {}, None)
    write_results_csv(out, {"runs": runs})
    page, rows = pages()["runs"]
    write_comparison(out, "runs", page, rows)
    found = inside(tmp_path)
    assert {path.parent for path in found} == {out, out / "customers"}
    assert len(list((out / "customers").iterdir())) == 200
    assert all(re.fullmatch(r"[A-Za-z0-9._+-]+", path.name) for path in found)
    assert max(len(path.name.encode()) for path in found) < 200
    for path in (out / "customers").iterdir():
        looked_through(path.read_text())


def test_batch_and_sheets_of_hostile_names(tmp_path: Path) -> None:
    """All of them on one batch page, and a sheet for each."""
    runs = [dict(run) | {"id": f"{run['id']}{run['unit']['serial']}"[:120]} for run in every()]
    out = tmp_path / "paper"
    batch = write_pages(tmp_path, out=out, instead={"runs": runs, "suspect": None})
    looked_through(batch.read_text())
    sheets = list((out / "sheets").iterdir())
    assert len(sheets) == len(runs)
    assert {path.parent for path in inside(tmp_path)} == {out, out / "sheets"}
    for path in sheets:
        looked_through(path.read_text())


def test_topics_have_their_levels_and_no_wildcard() -> None:
    """MQTT 3.1.1 (OASIS), 4.7: + and # are wildcards, / cuts levels, a leading $ is the broker's, no null character."""
    names = [topic(name, "point") for name in NAMES]
    assert {one.count("/") for one in names} == {3}
    assert all(re.fullmatch(r"nightramp/1/[A-Za-z0-9_][A-Za-z0-9._-]*/point", one) for one in names)
    assert len(set(names)) == len(NAMES)


def test_file_names_differ_where_names_do() -> None:
    assert len({safe_name(name) for name in NAMES}) == len(NAMES)
    assert all(os.path.basename(safe_name(name)) == safe_name(name) for name in NAMES)
