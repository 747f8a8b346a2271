"""Rows as CSV (RFC 4180, UTF-8) that a spreadsheet opens as data and nothing else. Pure.

A text that a spreadsheet would take for a formula gets an apostrophe before it (OWASP, CSV injection: cells that begin
with = + - @, a tab or a carriage return); control codes and marks that turn text become `?`. Numbers stay numbers.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Mapping, Sequence

from sequencer.report import words

FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\N{MINUS SIGN}", "＝", "＋", "－", "＠")
Cell = str | float | int | bool | None


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Cell]]) -> str:
    """The first line names the columns; None is an empty cell."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n", quoting=csv.QUOTE_MINIMAL)
    writer.writerow(columns)
    for row in rows:
        writer.writerow([cell(row.get(name)) for name in columns])
    return out.getvalue()


def cell(value: Cell) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        guarded = value.lstrip(" ").startswith(FORMULA)
        return ("'" if guarded else "") + words.clean(value)
    return repr(value) if isinstance(value, float) else str(value).lower() if isinstance(value, bool) else str(value)
