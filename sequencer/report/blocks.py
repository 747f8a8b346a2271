"""What a page is made of: sections with sentences, tables and drawings. Plain texts; the template escapes them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from markupsafe import Markup

FEWEST_GATHERED = 3


@dataclass(frozen=True)
class Head:
    """Head of a column. number: set flush right, figures under each other."""

    text: str
    number: bool = False


@dataclass(frozen=True)
class Table:
    """Rows of texts, as many as there are heads; an empty text repeats what stands above it.

    caption: what all its rows are of. fine: much alike and seldom read: in small type, on paper two rows beside each
    other. wide: as wide as the paper. bare: on paper without its heads, which the table above it shows.
    """

    heads: tuple[Head, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    caption: str = ""
    fine: bool = False
    wide: bool = False
    bare: bool = False


@dataclass(frozen=True)
class Drawing:
    svg: Markup
    note: str


@dataclass(frozen=True)
class Section:
    """title: one of the sheet's own names. answer: what all of it comes to. empty: why there is nothing to show; then
    it is one line. front: of the first page; all others are detail."""

    title: str
    answer: str = ""
    says: tuple[str, ...] = ()
    drawings: tuple[Drawing, ...] = ()
    tables: tuple[Table, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    empty: str = ""
    beside: bool = False  # one drawing and one narrow table: side by side where there is room
    front: bool = False


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
    return replace(table, heads=tuple(table.heads[i] for i in kept), rows=rows)


def gathered(table: Table) -> Table:
    """Without the columns that say the same in every row: that is said once, below the table."""
    if len(table.rows) < FEWEST_GATHERED:
        return table
    said = {i: {row[i] for row in table.rows} for i in range(len(table.heads))}
    alike = [i for i, texts in said.items() if len(texts) == 1 and table.rows[0][i]]
    kept = [i for i in said if i not in alike]
    if not alike or not kept:
        return table
    told = "; ".join(f"{table.heads[i].text}: {table.rows[0][i]}" for i in alike)
    note = " ".join(filter(None, (f"In every row {told}.", table.note)))
    rows = tuple(tuple(row[i] for i in kept) for row in table.rows)
    return replace(table, heads=tuple(table.heads[i] for i in kept), rows=rows, note=note)


def unrepeated(rows: Sequence[tuple[str, ...]], columns: int) -> tuple[tuple[str, ...], ...]:
    """The leading cells of a row left empty where they are all as above: the eye finds the groups."""
    said: list[tuple[str, ...]] = []
    for i, row in enumerate(rows):
        same = i > 0 and row[:columns] == rows[i - 1][:columns]
        said.append((("",) * columns + row[columns:]) if same else row)
    return tuple(said)
