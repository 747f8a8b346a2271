"""A drawing over a log frequency axis: plain numbers in, an SVG element out. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
from markupsafe import Markup
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullLocator

from sequencer.report.ink import GREY, INK, SETTINGS, STYLES, as_svg, axes, end_labels, figure, y_title
from sequencer.report.plots import Line

TICKS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)


def by_frequency(
    key: str, lines: Sequence[Line], unit: str, described: str, behind: Sequence[Line] = (), *, log: bool = False
) -> Markup:
    """lines: in ink, over Hz; behind: in grey below them, without a style of their own. log: by decades upwards too."""
    with mpl.rc_context(SETTINGS):
        drawn = figure(1.75)
        field = axes(drawn, 0.46, 0.36, 0.5, 0.2)
        field.set_xscale("log")
        if log:
            field.set_yscale("log")
            field.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
            field.yaxis.set_minor_locator(NullLocator())
        for line in behind:
            field.plot(line.xs, line.ys, color=GREY, linewidth=0.8)
        for line in lines:
            style = STYLES[line.style % len(STYLES)]
            field.plot(line.xs, line.ys, color=INK, linewidth=0.9, linestyle=style)
        ends = [x for line in (*lines, *behind) for x in (line.xs[0], line.xs[-1])]
        field.set_xlim(min(ends), max(ends))
        field.xaxis.set_major_locator(FixedLocator([hz for hz in TICKS_HZ if min(ends) <= hz * 1.02]))
        field.xaxis.set_minor_locator(NullLocator())
        field.xaxis.set_major_formatter(FuncFormatter(lambda hz, _i: f"{hz / 1000:g}k" if hz >= 1000.0 else f"{hz:g}"))
        field.yaxis.set_major_formatter(FuncFormatter(lambda value, _i: f"{value:g}"))
        field.margins(y=0.12)
        field.set_xlabel("Hz")
        y_title(field, unit)
        end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in (*lines, *behind) if line.name])
        return as_svg(drawn, key, described)
