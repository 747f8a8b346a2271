"""What a page is made of: sections with sentences, tables and drawings. Plain texts; the template escapes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from markupsafe import Markup


@dataclass(frozen=True)
class Head:
    """Head of a column. number: set flush right, figures under each other."""

    text: str
    number: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of texts, as many as there are heads; an empty text repeats what stands above it."""

    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


@dataclass(frozen=True)
class Drawing:
    svg: Markup
    note: str


@dataclass(frozen=True)
class Section:
    """title: one of the sheet's own names. empty: why there is nothing to show; then it is one line."""

    title: str
    says: tuple[str, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    tables: tuple[Table, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    empty: str = ""
    beside: bool = False  # one drawing and one narrow table: side by side where there is room


@dataclass(frozen=True)
class Page:
    title: str
    lines: tuple[str, ...]
    warnings: tuple[str, ...] = ()
    sections: tuple[Section, ...] = field(default_factory=tuple)


def heads(*texts: str) -> tuple[Head, ...]:
    """Heads from texts; one that begins with `>` is of a column of numbers."""
    return tuple(Head(text.lstrip(">"), text.startswith(">")) for text in texts)


def filled(table: Table) -> Table:
    """Without the columns that say nothing in any row."""
    kept = [i for i in range(len(table.heads)) if any(row[i] for row in table.rows)]
    rows = tuple(tuple(row[i] for i in kept) for row in table.rows)
    return Table(tuple(table.heads[i] for i in kept), rows, table.note)


def unrepeated(rows: Sequence[tuple[str, ...]], columns: int) -> tuple[tuple[str, ...], ...]:
    """The leading cells of a row left empty where they are all as above: the eye finds the groups."""
    said: list[tuple[str, ...]] = []
    for i, row in enumerate(rows):
        same = i > 0 and row[:columns] == rows[i - 1][:columns]
        said.append((("",) * columns + row[columns:]) if same else row)
    return tuple(said)
