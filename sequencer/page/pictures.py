"""The drawings of a page: the shot as captured, the ramp as it grows, supply and heat sinks lately. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from sequencer.analysis.records import Record
from sequencer.measurements.requests import Shot
from sequencer.page.drawing import LETTER, LINE, NAMES_PER_LINE, Field, Span, apart, around, svg, text, ticks
from sequencer.report.words import cycles_text, fixed, frequency, number
from sequencer.view.glance import Seen

WIDTH = 360.0
LEFT, RIGHT, TOP, FOOT = 34.0, 8.0, 18.0, 28.0
BUCKETS = 150  # of a trace: two points each
LAST_CYCLES = 3
PANEL, GAP = 84.0, 26.0
KEPT_S = 600.0
THD_SPAN = Span(0.001, 100.0, log=True)  # percent


@dataclass(frozen=True)
class Wire:
    """One digitiser input of a shot. name: "output A", "rail"."""

    name: str
    record: Record


@dataclass(frozen=True)
class Tried:
    """One shot of a ramp as it was read at a glance."""

    number: int
    purpose: str
    level_vrms: float
    seen: tuple[Seen, ...] = ()

    @property
    def worst(self) -> Seen | None:
        """Of the channels whose distortion could be told."""
        told = [one for one in self.seen if one.thd is not None and one.volts]
        return max(told, key=lambda one: one.thd or 0.0, default=None)


@dataclass(frozen=True)
class Trend:
    """One quantity over the last minutes. lines: name -> (bench time, value); limits: (value, what it is called)."""

    title: str
    unit: str
    lines: Mapping[str, Sequence[tuple[float, float]]]
    limits: Sequence[tuple[float, str]] = ()
    least_wide: float = 1.0
    decimals: int = 2


# --- a shot


def shot_picture(shot: Shot, wires: Sequence[Wire]) -> Markup:
    """The outputs one below the other, the rail under them, all on one time axis: the last cycles of the burst."""
    shown = [(wire, _window(shot, wire.record)) for wire in wires if wire.record.volts.size > 1]
    if not shown:
        return Markup("")
    across = Span(*shown[0][1])
    parts: list[str] = []
    for place, (wire, _) in enumerate(shown):
        top = TOP + place * (PANEL + GAP)
        outline = _outline(wire.record, across)
        heights = [value for _, value in outline]
        up = around(heights, least_wide=0.02 * max(map(abs, heights), default=1.0) or 0.01)
        field = Field(LEFT, top, WIDTH - LEFT - RIGHT, PANEL, across, up)
        parts += [field.up_ticks(ticks(up, 4), f"{wire.name}, V"), field.line(outline, "trace")]
        if place == len(shown) - 1:
            parts.append(field.across_ticks(_time_ticks(across), "ms after the trigger"))
    height = TOP + len(shown) * (PANEL + GAP) - GAP + FOOT
    return svg(WIDTH, height, shot_words(shot, [wire.name for wire, _ in shown]), parts)


def shot_words(shot: Shot, names: Sequence[str]) -> str:
    asked = shot.request
    tone = f"{cycles_text(asked.cycles)} of {frequency(asked.frequency_hz)}"
    return f"shot {shot.number}, {tone} at {shot.level_vrms:.4g} Vrms: the last cycles of {', '.join(names)}"


def _window(shot: Shot, record: Record) -> tuple[float, float]:
    """s after the trigger: the last cycles with a quarter before and behind; a silence whole."""
    first, last = record.start_s, record.start_s + record.volts.size * record.sample_interval_s
    if shot.request.purpose == "quiet":
        return first, last
    cycle_s = 1.0 / shot.request.frequency_hz
    end_s = shot.request.cycles * cycle_s
    if last - first < end_s and shot.request.last_s is not None:  # the end alone was captured
        return max(first, last - (LAST_CYCLES + 0.5) * cycle_s), last
    return max(first, end_s - (LAST_CYCLES + 0.25) * cycle_s), min(last, end_s + 0.25 * cycle_s)


def _outline(record: Record, across: Span) -> list[tuple[float, float]]:
    """Time and volts: each sample where there are few, else least and most of each piece in their order."""
    step = record.sample_interval_s
    begin = max(0, int((across.least - record.start_s) / step))
    end = min(record.volts.size, int((across.most - record.start_s) / step) + 1)
    volts = record.volts[begin:end]
    if volts.size <= 2 * BUCKETS:
        return [(record.start_s + (begin + i) * step, float(v)) for i, v in enumerate(volts)]
    size = volts.size // BUCKETS
    pieces = volts[: size * BUCKETS].reshape(BUCKETS, size)
    both = np.sort(np.stack((pieces.argmin(axis=1), pieces.argmax(axis=1)), axis=1), axis=1)
    rows = np.arange(BUCKETS)
    found: list[tuple[float, float]] = []
    for row, pair in zip(rows, both, strict=True):
        found += [(record.start_s + (begin + int(row) * size + int(i)) * step, float(pieces[row, i])) for i in pair]
    return found


def _time_ticks(across: Span) -> list[tuple[float, str]]:
    in_ms = Span(across.least * 1e3, across.most * 1e3)
    return [(ms / 1e3, f"{ms:g}") for ms in ticks(in_ms, 5)]


# --- a ramp


def ramp_picture(tried: Sequence[Tried], limit_pct: float | None, quantity: str) -> Markup:
    """Distortion over output volts, a mark for each shot; the limit as a line. Where no distortion can be told, the
    level of each shot."""
    told = [one for one in tried if one.worst is not None]
    return _thd_picture(told, limit_pct, quantity) if told else _level_picture(tried)


def _thd_picture(tried: Sequence[Tried], limit_pct: float | None, quantity: str) -> Markup:
    channels = sorted({one.channel for shot in tried for one in shot.seen if one.thd is not None})
    volts = [one.volts for shot in tried for one in shot.seen if one.thd is not None and one.volts]
    percents = [100.0 * one.thd for shot in tried for one in shot.seen if one.thd is not None and one.volts]
    least = max(THD_SPAN.least, 10.0 ** np.floor(np.log10(max(min(percents), 1e-6))))
    up = Span(float(least), max(10.0, min(100.0, 2.0 * max(percents))), log=True)
    across = around(volts, least_wide=1.0)
    field = Field(LEFT, TOP, WIDTH - LEFT - RIGHT - 14.0, 130.0, across, up)
    parts = [
        field.up_ticks(ticks(up), f"{quantity}, %"),
        field.across_ticks(_volt_ticks(across), "V rms at the output"),
    ]
    if limit_pct is not None:
        parts.append(field.level(limit_pct, f"limit {limit_pct:g} %"))
    ends: list[tuple[float, float, str]] = []
    for place, channel in enumerate(channels):
        points = sorted(
            (one.volts or 0.0, 100.0 * (one.thd or 0.0))
            for shot in tried
            for one in shot.seen
            if one.channel == channel and one.thd is not None and one.volts
        )
        parts.append(field.line(points, f"thin {NAMES_PER_LINE[place % len(NAMES_PER_LINE)]}"))
        parts += [_mark(field.x(x), field.y(y), place) for x, y in points]
        ends.append((field.x(points[-1][0]), field.y(points[-1][1]), channel))
    heights = apart([y for _, y, _ in ends], LINE - 2.0)
    parts += [text(x + 5.0, y + 3.5, name, "start") for (x, _, name), y in zip(ends, heights, strict=True)]
    last = tried[-1].worst
    if last is not None and last.volts and last.thd is not None:
        x, y = field.x(last.volts), field.y(100.0 * last.thd)
        parts.append(f'<circle class="ring" cx="{x:.1f}" cy="{y:.1f}" r="6"/>')
    return svg(WIDTH, TOP + 130.0 + FOOT, ramp_words(tried, limit_pct, quantity), parts)


def ramp_words(tried: Sequence[Tried], limit_pct: float | None, quantity: str) -> str:
    """The last shot in a sentence."""
    if not tried:
        return "no shot yet"
    last = tried[-1]
    limit = "" if limit_pct is None else f", limit {limit_pct:g} %"
    worst = last.worst
    read = "" if worst is None else f": {number(100.0 * (worst.thd or 0.0), 2)} % {quantity} in {worst.channel}"
    count = f"{len(tried)} shot{'' if len(tried) == 1 else 's'}"
    return f"{count}; the last at {last.level_vrms:.4g} Vrms at the input{read}{limit}"


def _level_picture(tried: Sequence[Tried]) -> Markup:
    if not tried:
        return Markup("")
    levels = [1e3 * one.level_vrms for one in tried]
    up = Span(0.0, 1.1 * max(levels) or 1.0)
    across = Span(tried[0].number - 0.5, tried[-1].number + 0.5)
    field = Field(LEFT + 6.0, TOP, WIDTH - LEFT - RIGHT - 6.0, 90.0, across, up)
    whole = [(value, f"{value:g}") for value in ticks(across, 5) if value == round(value)]
    parts = [field.up_ticks(ticks(up, 3), "level at the input, mV rms"), field.across_ticks(whole, "shot")]
    parts += [_mark(field.x(one.number), field.y(1e3 * one.level_vrms), 0) for one in tried]
    return svg(WIDTH, TOP + 90.0 + FOOT, ramp_words(tried, None, ""), parts)


def _volt_ticks(across: Span) -> list[tuple[float, str]]:
    return [(value, f"{value:g}") for value in ticks(across, 5)]


def _mark(x: float, y: float, place: int) -> str:
    """Of the first channel a dot, of the second a square, of others an open circle."""
    if place == 0:
        return f'<circle class="mark" cx="{x:.1f}" cy="{y:.1f}" r="2.4"/>'
    if place == 1:
        return f'<rect class="mark" x="{x - 2.2:.1f}" y="{y - 2.2:.1f}" width="4.4" height="4.4"/>'
    return f'<circle class="open" cx="{x:.1f}" cy="{y:.1f}" r="2.6"/>'


# --- the last minutes


def trend_picture(trend: Trend) -> Markup:
    """The last ten minutes, the limits as named lines."""
    values = [value for line in trend.lines.values() for _, value in line]
    if len(values) < 2:
        return Markup("")
    last_s = max(line[-1][0] for line in trend.lines.values() if line)
    first_s = min(line[0][0] for line in trend.lines.values() if line)
    across = Span(max(first_s, last_s - KEPT_S), max(last_s, first_s + 30.0))
    up = around(values, least_wide=trend.least_wide, also=[value for value, _ in trend.limits])
    names = [name for name in trend.lines if name]
    room = max((LETTER * len(name) + 6.0 for name in names), default=0.0)
    field = Field(LEFT, TOP, WIDTH - LEFT - RIGHT - room, 92.0, across, up)
    parts = [
        field.up_ticks(ticks(up, 3), f"{trend.title}, {trend.unit}"),
        field.across_ticks(_ago_ticks(across), "minutes ago, bench time"),
        *(field.level(value, label, at_left=place % 2 == 0) for place, (value, label) in enumerate(trend.limits)),
    ]
    ends: list[tuple[float, str]] = []
    for place, (name, line) in enumerate(trend.lines.items()):
        kept = [(at, value) for at, value in line if at >= across.least]
        parts.append(field.line(kept, f"trace {NAMES_PER_LINE[place % len(NAMES_PER_LINE)]}"))
        if name and kept:
            ends.append((field.y(kept[-1][1]), name))
    heights = apart([y for y, _ in ends], LINE - 2.0)
    parts += [text(field.right + 4.0, y + 3.5, name, "start") for (_, name), y in zip(ends, heights, strict=True)]
    return svg(WIDTH, TOP + 92.0 + FOOT, trend_words(trend), parts)


def trend_words(trend: Trend) -> str:
    now = ", ".join(
        f"{name + ' ' if name else ''}{fixed(line[-1][1], trend.decimals)} {trend.unit}"
        for name, line in trend.lines.items()
        if line
    )
    limits = "".join(f", {label}" for _, label in trend.limits)
    return f"{trend.title} over the last minutes: now {now}{limits}"


def _ago_ticks(across: Span) -> list[tuple[float, str]]:
    minutes = (across.most - across.least) / 60.0
    every = next(step for step in (0.25, 0.5, 1.0, 2.0, 5.0, 10.0) if minutes / step <= 5.0)
    return [(across.most - 60.0 * every * i, f"{every * i:g}") for i in range(int(minutes / every + 1e-9) + 1)]
