"""Entries for the queue from a table of rows: columns named in its first line, all that is wrong told at once."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping
from pathlib import Path

from sequencer.daemon.adding import Wanted
from sequencer.errors import InputRefused, Problem

NEEDED = ("plan", "unit")
COLUMNS = (*NEEDED, "bay", "label", "repeat", "after_trip", "note")
MOST_BYTES = 1_000_000  # some thousands of rows: a larger file is not one that a person wrote


def wanted_in(path: Path) -> tuple[list[Wanted], list[Problem]]:
    """Rows of a CSV file (RFC 4180; a semicolon in place of the comma where the first line has one), with what is wrong
    with its form. Paths in it are relative to its folder and stay in it. Raises InputRefused where it can't be read as
    a table at all."""
    lines = list(csv.reader(io.StringIO(text := _text(path)), delimiter=_delimiter(text), strict=False))
    if not lines or not any(cell.strip() for cell in lines[0]):
        raise _refused(path, "row 1", "empty", f"the first line names the columns: {', '.join(COLUMNS)}")
    names = [cell.strip() for cell in lines[0]]
    if problems := list(_wrong_columns(path, names)):
        raise InputRefused(problems)
    rows: list[Wanted] = []
    problems = []
    for number, cells in enumerate(lines[1:], start=2):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) > len(names):
            extra = cells[len(names)]
            problems.append(Problem(str(path), f"row {number}, column {len(names) + 1}", repr(extra), "no such column"))
        row = {name: cell.strip() for name, cell in zip(names, cells, strict=False)}
        one, more = _wanted(path, number, row)
        problems += more
        rows += [one] if one else []
    if not rows and not problems:
        raise _refused(path, "row 2", "empty", "at least one row below the columns' names")
    return rows, problems


def _wanted(path: Path, number: int, row: Mapping[str, str]) -> tuple[Wanted | None, list[Problem]]:
    problems = [
        Problem(str(path), f"row {number}, {name}", "''", "fill it in: a file, or a shipped name")
        for name in NEEDED
        if not row.get(name)
    ]
    repeat = row.get("repeat") or "1"
    if not (repeat.isascii() and repeat.isdecimal()):
        problems.append(Problem(str(path), f"row {number}, repeat", repr(repeat), "a whole number, or empty for 1"))
    named = {}
    for name in NEEDED:
        named[name], more = _inside(path, number, name, row.get(name) or "")
        problems += more
    if problems:
        return None, problems
    bay = f"@{row['bay']}" if row.get("bay") else ""
    wanted = Wanted(
        named["plan"],
        named["unit"] + bay,
        row.get("label") or "",
        int(repeat[:6]),
        row.get("after_trip") or "go on",
        row.get("note") or "",
        (str(path), f"row {number}"),
    )
    return wanted, []


def _inside(path: Path, number: int, name: str, value: str) -> tuple[str, list[Problem]]:
    """A path as seen from the table's own folder; anything else as it is."""
    if "/" not in value and ".toml" not in value:
        return value, []
    folder = path.resolve().parent
    if not (folder / value).resolve().is_relative_to(folder):
        remedy = f"lies outside {folder}: put the table beside its files, or add this one by itself"
        return value, [Problem(str(path), f"row {number}, {name}", repr(value), remedy)]
    return str(folder / value), []


def _wrong_columns(path: Path, names: list[str]) -> Iterator[Problem]:
    for place, name in enumerate(names, start=1):
        if name not in COLUMNS:
            yield Problem(str(path), f"row 1, column {place}", repr(name), f"one of: {', '.join(COLUMNS)}")
        elif name in names[: place - 1]:
            yield Problem(str(path), f"row 1, column {place}", repr(name), "named twice: leave one out")
    for name in NEEDED:
        if name not in names:
            yield Problem(str(path), f"row 1, {name}", "absent", "a column of this name is needed")


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise _refused(path, "file", f"{path.stat().st_size} bytes", f"at most {MOST_BYTES}: fewer rows")
        return path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise _refused(path, "file", "unreadable", (error.strerror or "no reason given").lower()) from None
    except UnicodeDecodeError as error:
        raise _refused(path, "file", f"byte {error.start}", "is not UTF-8: save the table as UTF-8") from None


def _delimiter(text: str) -> str:
    first = text.splitlines()[0] if text else ""
    return ";" if ";" in first and "," not in first else ","


def _refused(path: Path, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(str(path), key, value, remedy)])
