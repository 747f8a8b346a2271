"""Small drawings as SVG text: fields with axes, lines, labels. Pure.

Colours and widths stand in the page's style sheet, by class, so that a drawing is the same by day and by night, and no
style stands in an attribute, which the page's policy would refuse.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from markupsafe import Markup, escape

from sequencer.report.words import clean

LETTER = 5.6  # units that a letter of a label takes, about
LINE = 12.0  # units that a line of labels takes
NAMES_PER_LINE = ("solid", "dashed", "dotted", "long")  # channels are told apart by line and by name


@dataclass(frozen=True)
class Span:
    """From the least to the most that an axis shows; logarithmic where `log`."""

    least: float
    most: float
    log: bool = False

    def share(self, value: float) -> float:
        """0 at the least, 1 at the most; held within."""
        low, high, at = self.least, self.most, value
        if self.log:
            low, high, at = math.log10(low), math.log10(high), math.log10(max(value, self.least))
        return min(1.0, max(0.0, (at - low) / (high - low))) if high > low else 0.5


@dataclass(frozen=True)
class Field:
    """Where the lines are drawn; the margins hold the labels. y grows upwards."""

    left: float
    top: float
    width: float
    height: float
    across: Span
    up: Span

    @property
    def right(self) -> float:
        return self.left + self.width

    @property
    def bottom(self) -> float:
        return self.top + self.height

    def x(self, value: float) -> float:
        return self.left + self.across.share(value) * self.width

    def y(self, value: float) -> float:
        return self.bottom - self.up.share(value) * self.height

    def line(self, points: Sequence[tuple[float, float]], of: str) -> str:
        """of: classes of the line."""
        if len(points) < 2:
            return ""
        path = "L".join(f"{self.x(x):.1f} {self.y(y):.1f}" for x, y in points)
        return f'<path class="{of}" d="M{path}"/>'

    def level(self, value: float, label: str, *, at_left: bool = False) -> str:
        """A line across with its name at one end, above it, or below where there is no room above."""
        y = self.y(value)
        down = LINE - 1.0 if y - self.top < LINE else -3.0
        line = f'<path class="limit" d="M{self.left:.1f} {y:.1f}H{self.right:.1f}"/>'
        x, anchor = (self.left + 3.0, "start") if at_left else (self.right, "end")
        return line + text(x, y + down, label, anchor)

    def across_ticks(self, ticks: Iterable[tuple[float, str]], title: str = "") -> str:
        """Below the field, the title behind the last one."""
        made = [f'<path class="axis" d="M{self.left:.1f} {self.bottom:.1f}H{self.right:.1f}"/>']
        for value, label in ticks:
            x = self.x(value)
            made.append(f'<path class="axis" d="M{x:.1f} {self.bottom:.1f}v3"/>')
            near_end = x > self.right - LETTER * len(label) / 2.0
            made.append(text(self.right if near_end else x, self.bottom + LINE, label, "end" if near_end else "middle"))
        return "".join(made) + (text(self.left, self.bottom + 2 * LINE, title, "start") if title else "")

    def up_ticks(self, ticks: Iterable[float], title: str) -> str:
        """Left of the field with hairlines; the title above the axis and level."""
        made = [text(self.left, self.top - 5.0, title, "start")]
        for value in ticks:
            y = self.y(value)
            made.append(f'<path class="hair" d="M{self.left:.1f} {y:.1f}H{self.right:.1f}"/>')
            made.append(text(self.left - 4.0, y + 3.5, f"{value:g}", "end"))
        return "".join(made)


def text(x: float, y: float, words: str, anchor: str) -> str:
    return f'<text class="{anchor}" x="{x:.1f}" y="{y:.1f}">{escape(clean(words))}</text>'


def svg(width: float, height: float, described: str, parts: Iterable[str], of: str = "") -> Markup:
    """described: what a person who can't see it is told."""
    label = escape(clean(described))
    classes = f' class="{of}"' if of else ""
    head = f'<svg{classes} role="img" aria-label="{label}" viewBox="0 0 {width:g} {height:g}">'
    return Markup(head + "".join(parts) + "</svg>")


def around(values: Iterable[float], *, least_wide: float, also: Iterable[float] = ()) -> Span:
    """All of the values with a margin; never narrower than `least_wide`. also: limits that are to be seen."""
    every = [*values, *also]
    if not every:
        return Span(0.0, least_wide)
    low, high = min(every), max(every)
    spare = max(0.08 * (high - low), (least_wide - (high - low)) / 2.0, 0.0)
    return Span(low - spare, high + spare)


def ticks(span: Span, about: int = 4) -> list[float]:
    """Round numbers in the span: 1, 2 or 5 times a power of ten apart; on a logarithmic axis the powers of ten."""
    if span.log:
        first, last = math.ceil(math.log10(span.least) - 1e-9), math.floor(math.log10(span.most) + 1e-9)
        return [10.0**power for power in range(first, last + 1)]
    rough = (span.most - span.least) / max(about, 1)
    if not rough > 0.0:
        return [span.least]
    ten = 10.0 ** math.floor(math.log10(rough))
    step = next(one * ten for one in (1.0, 2.0, 5.0, 10.0) if one * ten >= 0.75 * rough)
    first = math.ceil(span.least / step - 1e-9)
    count = math.floor(span.most / step + 1e-9) - first
    return [round((first + i) * step, 10) for i in range(count + 1)]


def apart(places: Sequence[float], least: float) -> list[float]:
    """Places of labels in their order, pushed up where they would touch."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    moved = list(places)
    for before, i in pairwise(order):
        moved[i] = max(moved[i], moved[before] + least)
    return moved
