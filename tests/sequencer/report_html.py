"""Reads a page as a browser would see it, by the standard library's parser; and rounds by rules written here."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal
from html.parser import HTMLParser
from typing import Any

VOID = {"meta", "br", "wbr", "link", "img", "input", "hr"}


@dataclass
class Shown:
    """What a page shows: every element with its attributes, tables as texts under the heading they stand below."""

    title: str = ""
    text: str = ""
    headings: list[str] = field(default_factory=list)
    elements: list[tuple[str, dict[str, str | None]]] = field(default_factory=list)
    tables: list[tuple[str, list[list[str]]]] = field(default_factory=list)
    open_at_end: list[str] = field(default_factory=list)

    def tables_of(self, heading: str) -> list[list[list[str]]]:
        return [rows for title, rows in self.tables if title == heading]


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.shown = Shown()
        self.stack: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.shown.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.stack.append(tag)
        if tag == "h2":
            self.shown.headings.append("")
        elif tag == "table":
            self.shown.tables.append((self.shown.headings[-1] if self.shown.headings else "", []))
        elif tag == "tr":
            self.shown.tables[-1][1].append([])
        elif tag in ("td", "th"):
            self.shown.tables[-1][1][-1].append("")
        elif tag == "br":
            self.handle_data(" ")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.shown.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack, tag
        assert self.stack.pop() == tag, f"</{tag}> closes what it did not open"

    def handle_data(self, data: str) -> None:
        if "style" in self.stack:
            return
        if "title" in self.stack:
            self.shown.title += data
            return
        self.shown.text += data
        if "h2" in self.stack:
            self.shown.headings[-1] += data
        if "td" in self.stack or "th" in self.stack:
            self.shown.tables[-1][1][-1][-1] += data


def read(page: str) -> Shown:
    """Asserts on the way that every element is closed by its own end."""
    reader = _Reader()
    reader.feed(page)
    reader.close()
    reader.shown.open_at_end = reader.stack
    assert reader.stack == []
    return reader.shown


def to_two_digits(value: float, expanded: float) -> str:
    """JCGM 100, 7.2.6, by decimal arithmetic of its own: the uncertainty to two digits, the value to the same place."""
    u = Decimal(repr(expanded))
    at = Decimal(1).scaleb(u.adjusted() - 1)
    if u.quantize(at, ROUND_HALF_UP).adjusted() > u.adjusted():
        at = at.scaleb(1)
    shown = Decimal(repr(value)).quantize(at, ROUND_HALF_UP)
    return f"{shown:f} ±{u.quantize(at, ROUND_HALF_UP):f}"


def numbers_in(results: Any) -> Iterator[float]:
    """Every number of a row and of what it holds."""
    if isinstance(results, bool):
        return
    if isinstance(results, int | float):
        yield float(results)
    elif isinstance(results, dict):
        for value in results.values():
            yield from numbers_in(value)
    elif isinstance(results, list):
        for value in results:
            yield from numbers_in(value)


def rounds_to(shown: str, numbers: list[float]) -> bool:
    """Whether one of the numbers, or its magnitude, rounds to the text at the text's own last place."""
    text = shown.replace("−", "-")
    at = Decimal(text)
    half = Decimal("0.5000001").scaleb(at.as_tuple().exponent)  # type: ignore[arg-type]
    return any(abs(Decimal(repr(x)) - at) <= half or abs(Decimal(repr(abs(x))) - at) <= half for x in numbers)


NUMBER = re.compile(r"(?<![\w.])[−-]?\d+\.\d+(?![\w.])")
