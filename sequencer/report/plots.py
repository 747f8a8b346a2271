"""The drawings of a sheet: plain numbers in, an SVG element out. Pure.

Channels differ by their line, or their mark, and by a name at its end.

No state of the plotting library is touched for longer than one drawing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from itertools import pairwise
from typing import Any, Literal, ParamSpec

import matplotlib as mpl
import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from sequencer.report.ink import (
    ACCENT,
    GREY,
    INK,
    MARKS,
    POINT,
    SETTINGS,
    STYLES,
    as_svg,
    axes,
    end_labels,
    figure,
    key_column,
    y_title,
)

Volts = NDArray[np.float64]
P = ParamSpec("P")

POINTS_AT_MOST = 1000
ROW_IN, SPREAD = 0.135, 0.44


@dataclass(frozen=True)
class Line:
    """style: which of the line styles; the same channel or burst has the same one everywhere."""

    name: str
    style: int
    xs: tuple[float, ...]
    ys: tuple[float, ...]


@dataclass(frozen=True)
class Power:
    """One row of the ladder, in W."""

    name: str
    channel: str
    style: int
    accepted_w: float
    at_limit_w: float | None
    expanded_w: float | None

    @property
    def shown_w(self) -> float:
        return self.accepted_w if self.at_limit_w is None else self.at_limit_w


@dataclass(frozen=True)
class Rated:
    name: str
    power_w: float


@dataclass(frozen=True)
class Wave:
    """A trace in V over s from the trigger."""

    times_s: Volts
    volts: Volts


@dataclass(frozen=True)
class ShotPicture:
    """One channel's accepted shot, the first above it, and the rail of the accepted one.

    last_cycle_s: begin and end of the burst's last cycle; crests_v: largest and smallest volts in it.
    """

    accepted: Wave
    above: Wave | None
    rail: Wave | None
    last_cycle_s: tuple[float, float]
    crests_v: tuple[float, float] | None


def _inked(draw: Callable[P, Markup]) -> Callable[P, Markup]:
    @wraps(draw)
    def inked(*given: P.args, **named: P.kwargs) -> Markup:
        with mpl.rc_context(SETTINGS):
            return draw(*given, **named)

    return inked


def fewest(wave: Wave, at_most: int = POINTS_AT_MOST) -> Wave:
    """At most so many samples: smallest and largest of each stretch, in their order, so that no crest is lost."""
    n = wave.volts.size
    if n <= at_most:
        return wave
    edges = np.linspace(0, n, at_most // 2 + 1).astype(int)
    kept = np.empty(2 * (edges.size - 1), dtype=int)
    for i, (begin, end) in enumerate(pairwise(edges)):
        part = wave.volts[begin:end]
        kept[2 * i : 2 * i + 2] = np.sort([begin + int(part.argmin()), begin + int(part.argmax())])
    return Wave(wave.times_s[kept], wave.volts[kept])


@_inked
def power_ladder(key: str, rows: Sequence[Power], rated: Sequence[Rated]) -> Markup:
    """Dots by drive, of one load: at the limit with its uncertainty, a tick at the accepted power."""
    names, channels = list(dict.fromkeys(r.name for r in rows)), list(dict.fromkeys(r.channel for r in rows))
    drawn = figure(0.72 + ROW_IN * len(names) * max(len(channels), 1.5))
    field = axes(drawn, 1.04, 0.36, 0.2, 0.22)
    for row in rows:
        _power(field, row, names.index(row.name) + SPREAD * (channels.index(row.channel) - (len(channels) - 1) / 2.0))
    field.set_ylim(len(names) - 0.4, -0.6)
    field.set_xlim(*_reach(rows, rated))
    _ratings(field, rated)
    field.yaxis.set_major_locator(FixedLocator(list(range(len(names)))))
    field.yaxis.set_major_formatter(FuncFormatter(lambda _y, i: names[i or 0]))
    field.tick_params(axis="y", length=0)
    field.set_xlabel("W")
    return as_svg(drawn, key, "Power by drive")


def _ratings(field: Axes, rated: Sequence[Rated]) -> None:
    """Each a line with its name above it, towards the middle where it stands at an edge."""
    left, right = field.get_xlim()
    for one in rated:
        share = (one.power_w - left) / (right - left)
        side: Literal["left", "center", "right"] = "left" if share < 0.3 else "right" if share > 0.7 else "center"
        field.axvline(one.power_w, color=ACCENT, linewidth=0.9)
        field.annotate(
            one.name, (one.power_w, 1.0), xycoords=("data", "axes fraction"), xytext=(0, 2), textcoords="offset points",
            color=ACCENT, ha=side,
        )  # fmt: skip


def _reach(rows: Sequence[Power], rated: Sequence[Rated]) -> tuple[float, float]:
    """Dots, not bars: the axis need not begin at nought, so that uncertainties can be seen."""
    ends = [w + side * (r.expanded_w or 0.0) for r in rows for w in (r.shown_w, r.accepted_w) for side in (-1.0, 1.0)]
    ends += [r.power_w for r in rated]
    room = 0.09 * (max(ends) - min(ends)) or 0.1 * abs(max(ends)) or 1.0
    return min(ends) - room, max(ends) + 1.4 * room


def _power(field: Axes, row: Power, y: float) -> None:
    face = INK if row.style == 0 else "white"
    field.errorbar(
        row.shown_w, y, xerr=row.expanded_w or 0.0, fmt=MARKS[row.style % len(MARKS)], color=INK, markerfacecolor=face,
        markersize=3.6, markeredgewidth=0.7, elinewidth=0.6, capsize=1.6, capthick=0.6,
    )  # fmt: skip
    field.plot([row.accepted_w] * 2, [y - 0.16, y + 0.16], color=GREY, linewidth=1.1)
    end = (row.shown_w + (row.expanded_w or 0.0), y)
    field.annotate(row.channel, end, xytext=(3, 0), textcoords="offset points", va="center", fontsize=POINT - 0.5)


@_inked
def distortion(
    key: str, lines: Sequence[Line], floor: Line | None, limit_pct: float | None, log_watts: str = ""
) -> Markup:
    """Percent, by decades, over watts; log_watts: name of an axis of watts by decades."""
    drawn = figure(1.75)
    field = axes(drawn, 0.42, 0.36, 0.72, 0.2)
    field.set_yscale("log")
    if log_watts:
        field.set_xscale("log")
    if floor is not None:
        field.plot(floor.xs, floor.ys, color=GREY, linewidth=0.7)
    for line in lines:
        style = STYLES[line.style % len(STYLES)]
        field.plot(line.xs, line.ys, color=INK, linewidth=0.9, linestyle=style, marker=".", markersize=2.5)
    if limit_pct is not None:
        field.axhline(limit_pct, color=ACCENT, linewidth=0.8)
    field.margins(y=0.12)
    field.yaxis.set_major_formatter(FuncFormatter(lambda value, _i: f"{value:g}"))
    field.yaxis.set_minor_formatter(FuncFormatter(lambda _value, _i: ""))
    if log_watts:
        field.xaxis.set_major_formatter(FuncFormatter(lambda value, _i: f"{value:g}"))
        field.xaxis.set_minor_formatter(FuncFormatter(lambda _value, _i: ""))
    field.set_xlabel(log_watts or "W, the worse channel of each shot")
    y_title(field, "%")
    field.set_xlim(*field.get_xlim())  # the key's pieces of line move no axis
    named: list[tuple[str, str, Any]] = [(line.name, INK, STYLES[line.style % len(STYLES)]) for line in lines]
    named += [] if floor is None else [(floor.name, GREY, "solid")]
    key_column(field, named, None if limit_pct is None else (limit_pct, f"limit {limit_pct:g} %"))
    return as_svg(drawn, key, "Distortion by level")


@_inked
def over_cycles(key: str, lines: Sequence[Line]) -> Markup:
    """Watts of each cycle of each burst."""
    drawn = figure(1.4)
    field = axes(drawn, 0.42, 0.36, 0.4, 0.2)
    _lines(field, lines, "." if all(len(line.xs) < 40 for line in lines) else "")
    field.xaxis.set_major_locator(MaxNLocator(integer=True))
    field.set_xlabel("cycle")
    y_title(field, "W in that cycle")
    end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in lines])
    return as_svg(drawn, key, "Level of each cycle of each burst")


@_inked
def temperatures(key: str, lines: Sequence[Line], points: Sequence[str]) -> Markup:
    """Degrees C at the start and the end of each point, in running order."""
    drawn = figure(1.45)
    field = axes(drawn, 0.42, 0.36, 0.4, 0.2)
    _lines(field, lines, "")
    every = -(-len(points) // 7)
    ticks = list(range(0, len(points), every))
    field.xaxis.set_major_locator(FixedLocator(ticks))
    field.xaxis.set_major_formatter(FuncFormatter(lambda _x, i: points[ticks[i or 0]]))
    field.set_xlabel("point")
    y_title(field, "°C")
    end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in lines])
    return as_svg(drawn, key, "Heat sink over the night")


@_inked
def warming(key: str, lines: Sequence[Line]) -> Markup:
    """Degrees C over minutes."""
    drawn = figure(1.45)
    field = axes(drawn, 0.42, 0.36, 0.4, 0.2)
    _lines(field, lines, "")
    field.set_xlabel("minutes since its first burst")
    y_title(field, "°C")
    end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in lines])
    return as_svg(drawn, key, "Heat sinks while the unit works at a part of its power")


@_inked
def thumps(key: str, lines: Sequence[Line]) -> Markup:
    """Volts over milliseconds, from where the output follows its input."""
    drawn = figure(1.45)
    field = axes(drawn, 0.46, 0.36, 0.4, 0.2)
    field.axvline(0.0, color=GREY, linewidth=0.7)
    _lines(field, lines, "")
    field.set_xlabel("ms from where the output follows")
    y_title(field, "V")
    end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in lines])
    return as_svg(drawn, key, "Thump of coming on")


@_inked
def over_states(key: str, lines: Sequence[Line], states: Sequence[str], unit: str) -> Markup:
    """One value of each channel in each state of heat."""
    drawn = figure(1.15)
    field = axes(drawn, 0.42, 0.26, 0.4, 0.2)
    _lines(field, lines, ".")
    field.xaxis.set_major_locator(FixedLocator(list(range(len(states)))))
    field.xaxis.set_major_formatter(FuncFormatter(lambda _x, i: states[i or 0]))
    field.margins(y=0.3)
    y_title(field, unit)
    end_labels(field, [(line.xs[-1], line.ys[-1], line.name) for line in lines if line.name])
    return as_svg(drawn, key, f"{unit} in each state of heat")


def _lines(field: Axes, lines: Sequence[Line], mark: str) -> None:
    for line in lines:
        style = STYLES[line.style % len(STYLES)]
        field.plot(line.xs, line.ys, color=INK, linewidth=0.9, linestyle=style, marker=mark or None, markersize=2.5)


@_inked
def last_clean_shot(key: str, shot: ShotPicture) -> Markup:
    """Left the whole burst, right its last cycle larger; the rail below, on the same time axis."""
    drawn = figure(2.3 if shot.rail else 1.6)
    whole = (shot.accepted.times_s[0], shot.accepted.times_s[-1])
    cycle_s = shot.last_cycle_s[1] - shot.last_cycle_s[0]
    one_field = whole[1] - whole[0] < 2.6 * cycle_s
    near = (shot.last_cycle_s[0] - 0.1 * cycle_s, shot.last_cycle_s[1] + 0.1 * cycle_s)
    spans = [(0.44, 0.1, whole)] if one_field else [(0.44, 1.28, whole), (2.2, 0.1, near)]
    for i, (left, right, span) in enumerate(spans):
        upper = axes(drawn, left, 1.02 if shot.rail else 0.36, right, 0.2)
        if shot.above is not None and (one_field or i == 1):  # behind many cycles it would only blur them
            _wave(upper, shot.above, span, GREY, 1.9)
        _wave(upper, shot.accepted, span, INK, 0.8)
        _crests(upper, shot)
        fields = [upper]
        if shot.rail is not None:
            lower = axes(drawn, left, 0.36, right, 1.46)
            _wave(lower, shot.rail, span, INK, 0.7)
            lower.yaxis.set_major_locator(MaxNLocator(3))
            lower.set_ylim(*_room(shot.rail.volts))
            upper.tick_params(axis="x", labelbottom=False)
            fields.append(lower)
        _times(fields, span, i == 0)
    return as_svg(drawn, key, "The last clean shot and the rail below it")


def _times(fields: Sequence[Axes], span: tuple[float, float], named: bool) -> None:
    for field in fields:
        field.set_xlim(1e3 * span[0], 1e3 * span[1])
        field.xaxis.set_major_locator(MaxNLocator(4))
        field.tick_params(axis="y", labelleft=named)
    fields[-1].set_xlabel("ms from the trigger" if named else "ms, last cycle")
    if named:
        for field, name in zip(fields, ("output V", "rail V"), strict=False):
            y_title(field, name)


def _wave(field: Axes, wave: Wave, span: tuple[float, float], colour: str, width: float) -> None:
    seen = (wave.times_s >= span[0]) & (wave.times_s <= span[1])
    thin = fewest(Wave(wave.times_s[seen], wave.volts[seen]))
    field.plot(1e3 * thin.times_s, thin.volts, color=colour, linewidth=width)


def _crests(field: Axes, shot: ShotPicture) -> None:
    """A mark where each crest of the last cycle lies; where, not how high, is read from the trace."""
    within = (shot.accepted.times_s >= shot.last_cycle_s[0]) & (shot.accepted.times_s <= shot.last_cycle_s[1])
    if shot.crests_v is None or not within.any():
        return
    times, volts = shot.accepted.times_s[within], shot.accepted.volts[within]
    for crest_v, at in zip(shot.crests_v, (volts.argmax(), volts.argmin()), strict=True):
        field.plot(1e3 * times[at], crest_v, marker="_", color=ACCENT, markersize=9, markeredgewidth=1.0)


def _room(volts: Volts) -> tuple[float, float]:
    """A rail that hardly moves is drawn as one: at least 5 % of it is shown."""
    low, high = float(volts.min()), float(volts.max())
    room = max(0.15 * (high - low), 0.025 * abs(high), 1e-3)
    return low - room, high + room
