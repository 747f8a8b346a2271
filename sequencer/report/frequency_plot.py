"""Drawings over an axis of frequency: plain numbers in, an SVG element out. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullLocator

from sequencer.report.ink import (
    ACCENT,
    GREY,
    INK,
    SETTINGS,
    STYLES,
    as_svg,
    axes,
    end_labels,
    figure,
    top_labels,
    y_title,
)
from sequencer.report.plots import Line

TICKS_HZ = (
    20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0, 50000.0, 100000.0, 500000.0,
)  # fmt: skip
LOWEST_DB = -120.0  # what lies below is drawn there


@dataclass(frozen=True)
class Marked:
    """What stands beside the lines. named: (Hz, name) of single lines of a spectrum, each above the highest curve
    there. limit: (value, name) of a level one looks for. dots: the points themselves are few and are shown. within:
    values that the axis upwards holds in any case, so that a thousandth is not drawn as a mountain."""

    named: tuple[tuple[float, str], ...] = ()
    limit: tuple[float, str] | None = None
    dots: bool = False
    within: tuple[float, ...] = ()


PLAIN = Marked()


def by_frequency(
    key: str,
    lines: Sequence[Line],
    unit: str,
    described: str,
    behind: Sequence[Line] = (),
    *,
    log: bool = False,
    marked: Marked = PLAIN,
) -> Markup:
    """lines: in ink, over Hz; behind: in grey below them, without a style of their own. log: by decades upwards too."""
    with mpl.rc_context(SETTINGS):
        drawn = figure(1.75)
        field = axes(drawn, 0.46, 0.36, 0.5, 0.2)
        field.set_xscale("log")
        if log:
            field.set_yscale("log")
            field.yaxis.set_major_locator(
                LogLocator(subs=(1.0, 2.0, 5.0) if _is_flat([*lines, *behind], marked) else (1.0,))
            )
            field.yaxis.set_minor_locator(NullLocator())
        ends = _curves(field, lines, behind, marked)
        field.xaxis.set_major_locator(FixedLocator([hz for hz in TICKS_HZ if ends[0] <= hz * 1.02]))
        field.xaxis.set_minor_locator(NullLocator())
        field.xaxis.set_major_formatter(FuncFormatter(lambda hz, _i: f"{hz / 1000:g}k" if hz >= 1000.0 else f"{hz:g}"))
        field.yaxis.set_major_formatter(FuncFormatter(lambda value, _i: f"{value:g}".replace("-", "\N{MINUS SIGN}")))
        field.set_xlabel("Hz")
        _labels(field, unit, [*lines, *behind], marked)
        return as_svg(drawn, key, described)


def lines_of(key: str, lines: Sequence[Line], unit: str, described: str, marked: Marked = PLAIN) -> Markup:
    """A spectrum over an even axis of kHz, dB: where lines lie close together."""
    with mpl.rc_context(SETTINGS):
        drawn = figure(1.75)
        field = axes(drawn, 0.46, 0.36, 0.5, 0.2)
        floored = [
            Line(one.name, one.style, tuple(hz / 1000.0 for hz in one.xs), tuple(max(y, LOWEST_DB) for y in one.ys))
            for one in lines
        ]
        in_khz = Marked(
            tuple((hz / 1000.0, name) for hz, name in marked.named), marked.limit, marked.dots, marked.within
        )
        _curves(field, floored, (), in_khz)
        field.set_xlabel("kHz")
        _labels(field, unit, floored, in_khz)
        return as_svg(drawn, key, described)


def _is_flat(lines: Sequence[Line], marked: Marked) -> bool:
    """Less than two decades from the lowest to the highest: one tick a decade would say too little."""
    values = [y for line in lines for y in line.ys if y > 0.0] + ([] if marked.limit is None else [marked.limit[0]])
    return not values or max(values) < 100.0 * min(values)


def _curves(field: Axes, lines: Sequence[Line], behind: Sequence[Line], marked: Marked) -> tuple[float, float]:
    for line in behind:
        field.plot(line.xs, line.ys, color=GREY, linewidth=0.8)
    for line in lines:
        style, mark = STYLES[line.style % len(STYLES)], "." if marked.dots else None
        field.plot(line.xs, line.ys, color=INK, linewidth=0.9, linestyle=style, marker=mark, markersize=2.5)
    ends = [x for line in (*lines, *behind) for x in (line.xs[0], line.xs[-1])]
    field.set_xlim(min(ends), max(ends))
    if marked.limit is not None:
        field.axhline(marked.limit[0], color=ACCENT, linewidth=0.8)
    for value in marked.within:
        field.plot([min(ends)], [value], alpha=0.0)
    field.margins(y=0.24 if marked.named else 0.12)
    return min(ends), max(ends)


def _labels(field: Axes, unit: str, lines: Sequence[Line], marked: Marked) -> None:
    y_title(field, unit)
    ends = [(line.xs[-1], line.ys[-1], line.name) for line in lines if line.name]
    if marked.limit is not None:
        ends.append((field.get_xlim()[1], *marked.limit))
    end_labels(field, ends)
    top_labels(field, [(x, _highest_at(lines, x), name) for x, name in marked.named])


def _highest_at(lines: Sequence[Line], x: float) -> float:
    """Of all curves where the named line lies."""
    return max(line.ys[min(range(len(line.xs)), key=lambda i: abs(line.xs[i] - x))] for line in lines)
