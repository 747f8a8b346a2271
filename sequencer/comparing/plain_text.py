"""A page's sections as plain text for a terminal: no colour, no line wider than 110. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from sequencer.report import words
from sequencer.report.blocks import Head, Page, Section, Table

WIDTH = 110
GAP = "  "
NARROWEST = 16  # what a column of words is cut to at most, where the table is too wide
ROWS_AT_MOST = 40  # of one table; all of them stand in the page, in CSV and JSON


def page_text(page: Page, rows_at_most: int = ROWS_AT_MOST) -> str:
    parts = [_wrapped(page.title), *(_wrapped(line) for line in (*page.lines, *page.warnings))]
    for section in page.sections:
        parts += ["", *_section(section, rows_at_most)]
    return "\n".join(parts) + "\n"


def _section(section: Section, rows_at_most: int) -> Iterator[str]:
    if section.empty and not section.tables:
        yield _wrapped(f"{section.title}: {section.empty}.")
        return
    yield _wrapped(section.title)
    for term, told in section.terms:
        yield _wrapped(f"  {term}: {told}")
    for line in (section.answer, *section.says):
        if line:
            yield _wrapped(f"  {line}", "  ")
    for table in section.tables:
        yield from _table(table, rows_at_most)


def _table(table: Table, rows_at_most: int) -> Iterator[str]:
    shown = table.rows[:rows_at_most]
    lines = [tuple(head.text for head in table.heads), *shown]
    widths = _widths([[len(words.clean(cell)) for cell in line] for line in lines], table.heads)
    for line in lines:
        yield _line(line, table.heads, widths)
    if len(shown) < len(table.rows):
        yield _wrapped(f"  and {len(table.rows) - len(shown)} more: --json, --csv and the page have all of them", "  ")
    if table.note:
        yield _wrapped(f"  {table.note}", "  ")


def _widths(lengths: Sequence[Sequence[int]], heads: Sequence[Head]) -> list[int]:
    """As wide as needed; where that is too wide, heads and words take several lines, the widest first."""
    columns = len(heads)
    widths = [max(line[i] for line in lengths) for i in range(columns)]
    body = [max((line[i] for line in lengths[1:]), default=0) for i in range(columns)]
    room = WIDTH - len(GAP) * columns
    while sum(widths) > room:
        widest = max(range(columns), key=lambda i: (not heads[i].number or widths[i] > body[i], widths[i]))
        if widths[widest] <= NARROWEST:
            break
        widths[widest] -= 1
    return widths


def _line(cells: Sequence[str], heads: Sequence[Head], widths: Sequence[int]) -> str:
    """Words that do not fit go on below themselves; numbers are never cut."""
    wrapped = [
        [words.clean(cell)] if head.number and len(cell) <= width else textwrap.wrap(words.clean(cell), width) or [""]
        for cell, head, width in zip(cells, heads, widths, strict=True)
    ]
    told = []
    for i in range(max(map(len, wrapped))):
        own = [part[i] if i < len(part) else "" for part in wrapped]
        padded = [
            one.rjust(width) if head.number else one.ljust(width)
            for one, head, width in zip(own, heads, widths, strict=True)
        ]
        told.append(f"  {GAP.join(padded)}".rstrip())
    return "\n".join(told)


def _wrapped(text: str, indent: str = "    ") -> str:
    """Its own leading blanks stay; what goes on below begins with the indent."""
    told = words.clean(text)
    own = told[: len(told) - len(told.lstrip(" "))]
    return textwrap.fill(told.lstrip(" "), WIDTH, initial_indent=own, subsequent_indent=indent)
