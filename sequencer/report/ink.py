"""How every drawing looks, and how it becomes text of a page: one size, one ink, one accent.

Drawings are narrow on purpose: one fills a telephone, two stand side by side on paper, and neither is scaled much.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from typing import Any

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure

INK, GREY, HAIR, ACCENT = "#23201c", "#a49d91", "#cfc8ba", "#8a3b2a"
STYLES = ("solid", (0, (5, 2)), (0, (1.5, 1.5)), (0, (7, 2, 1.5, 2)), (0, (3, 1, 1, 1, 1, 1)))
MARKS = ("o", "s", "^", "D", "v")
WIDTH_IN = 3.4
POINT = 7.5
LINE_POINT, LETTER_POINT, SPARE_POINT, KEY_POINT = (
    8.5,
    4.6,
    3.0,
    13.0,
)  # what a line of a label, and a letter of it, takes
SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "none",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": POINT,
    "axes.linewidth": 0.5,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.unicode_minus": True,
    "text.color": INK,
    "text.parse_math": False,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.major.width": 0.5,
    "ytick.major.width": 0.5,
    "xtick.minor.size": 0,
    "ytick.minor.size": 0,
    "path.simplify": False,
}
_UNUSED = re.compile(
    r'<\?xml.*?\?>|<!DOCTYPE.*?>|<metadata>.*?</metadata>|<!--.*?-->| xmlns(?::\w+)?="[^"]*"', re.DOTALL
)
_ID = re.compile(r' id="([^"]*)"')
_FONT = re.compile(r"'DejaVu Sans'(?:, sans-serif)?")


def figure(height_in: float) -> Figure:
    return Figure(figsize=(WIDTH_IN, height_in), facecolor="none")


def axes(drawn: Figure, left: float, bottom: float, right: float, top: float) -> Axes:
    """An empty field; the margins are inches, so that labels fit whatever the height."""
    width, height = drawn.get_size_inches()
    field = drawn.add_axes(
        (left / width, bottom / height, (width - left - right) / width, (height - bottom - top) / height)
    )
    field.set_facecolor("none")
    field.spines[["top", "right"]].set_visible(False)
    field.grid(visible=True, color=HAIR, linewidth=0.35)
    field.set_axisbelow(True)
    return field


def as_svg(drawn: Figure, key: str, described: str) -> Markup:
    """The drawing as an inline element. key: unlike any other on the page, so that clips are not shared.

    The same drawing gives the same text. Nothing in it points outside; names in it are escaped by the writer.
    """
    with mpl.rc_context({"svg.hashsalt": f"nightramp {key}"}):
        kept = io.StringIO()
        drawn.savefig(kept, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    text = _UNUSED.sub("", kept.getvalue()).replace("xlink:href", "href")
    text = _FONT.sub("inherit", text)
    used = set(re.findall(r'(?:url\(#|href="#)([^)"]+)', text))
    text = _ID.sub(lambda one: one[0] if one[1] in used else "", text)
    label = Markup.escape(described)
    head = f'<svg role="img" aria-label="{label}"'
    return Markup(re.sub(r"\n\s*", "\n", text.replace("<svg", head, 1).strip()))


def y_title(field: Axes, text: str) -> None:
    """Above the axis and level: read without turning the head, and never cut at the edge."""
    field.text(0.0, 1.025, text, transform=field.transAxes, ha="left", va="bottom")


def end_labels(field: Axes, ends: Sequence[tuple[float, float, str]]) -> None:
    """Names behind the last points (x, y) of their lines, pushed up where they would meet."""
    field.get_xlim(), field.get_ylim()  # settles the scales, which are lazy
    shares = sorted((_share(field, x, y)[::-1], name) for x, y, name in ends)
    wide, high = _points(field)
    placed: list[tuple[float, float, float]] = []
    for (y, x), name in shares:
        width = _width(name) / wide
        for other_y, other_x, other_width in placed:
            if x < other_x + other_width and other_x < x + width and y - other_y < LINE_POINT / high:
                y = other_y + LINE_POINT / high
        placed.append((y, x, width))
        field.annotate(name, (x, y), xycoords="axes fraction", xytext=(3.5, 0), textcoords="offset points", va="center")


def top_labels(field: Axes, ends: Sequence[tuple[float, float, str]]) -> None:
    """Names above the last points (x, y) of their lines, one above the other where they would meet."""
    field.get_xlim(), field.get_ylim()
    shares = sorted((_share(field, x, y), name) for x, y, name in ends)
    wide, high = _points(field)
    placed: list[tuple[float, float, float]] = []
    for (x, y), name in shares:
        half = _width(name) / 2.0 / wide
        # From the lowest up: what was pushed past one may meet the next.
        for other_y, other_x, other_half in sorted(placed):
            if abs(x - other_x) < half + other_half and abs(y - other_y) < LINE_POINT / high:
                y = other_y + LINE_POINT / high
        placed.append((y, x, half))
        field.annotate(name, (x, y), xycoords="axes fraction", xytext=(0, 2.5), textcoords="offset points", ha="center")


def key_column(field: Axes, entries: Sequence[tuple[str, str, Any]], level: tuple[float, str] | None = None) -> None:
    """Names (name, colour, line style) one below the other in the right margin, each behind a piece of its line: where
    lines end so near each other that names at their ends would stand in a heap. level: (y, name) of a line across,
    named where it stands; the others keep clear of it.
    """
    field.get_xlim(), field.get_ylim()
    wide, high = _points(field)
    step = LINE_POINT / high
    taken = None
    if level is not None:
        taken = _share(field, field.get_xlim()[1], level[0])[1]
        field.annotate(
            level[1], (1.0, taken), xycoords="axes fraction", xytext=(3.5, 0), textcoords="offset points", va="center"
        )
    y = 1.0 - step / 2.0
    for name, colour, style in entries:
        if taken is not None and abs(y - taken) < step:
            y = taken - step
        ends = (1.0 + 3.5 / wide, 1.0 + (3.5 + KEY_POINT) / wide)
        field.plot(ends, (y, y), color=colour, linestyle=style, linewidth=0.9, transform=field.transAxes, clip_on=False)
        field.annotate(
            name, (ends[1], y), xycoords="axes fraction", xytext=(2.5, 0), textcoords="offset points", va="center"
        )
        y -= step


def _points(field: Axes) -> tuple[float, float]:
    """Width and height of a field, in the points that letters are measured in."""
    whole, place = field.get_figure(root=True), field.get_position()
    assert whole is not None
    inches_wide, inches_high = whole.get_size_inches()
    return float(72.0 * inches_wide * place.width), float(72.0 * inches_high * place.height)


def _width(name: str) -> float:
    """Of a name, in points, about: no letter is measured, since the reader's own font may stand in."""
    return LETTER_POINT * len(name) + SPARE_POINT


def _share(field: Axes, x: float, y: float) -> tuple[float, float]:
    point: Any = field.transAxes.inverted().transform(field.transData.transform((x, y)))
    return float(point[0]), float(point[1])
