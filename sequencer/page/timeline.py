"""The night as one timeline: a row a unit, a mark a point, what is still to come as a bound, heat below. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from sequencer.page.drawing import LETTER, Field, around, svg, text, ticks
from sequencer.page.drawing import Span as Axis
from sequencer.page.scene import Span

NARROW, WIDE = 360.0, 900.0
ROW, MOST_ROWS = 26.0, 14
LEFT = 26.0  # one time axis with the heat below, whose labels stand there
HEAT, FOOT = 70.0, 24.0
EVERY_S = (60.0, 300.0, 900.0, 1800.0, 3600.0, 7200.0, 14400.0, 28800.0, 86400.0)
SHORTEST_S = 120.0


@dataclass(frozen=True)
class Ahead:
    """What is still to come, in its order. most_s: upper bound of its time; None: not known."""

    label: str
    most_s: float | None


@dataclass(frozen=True)
class Night:
    """now: the bench's time. ahead: behind the run under way. running_until: bound of that run. heat_limit_c: where a
    ramp of the unit under way ends."""

    now: datetime
    spans: tuple[Span, ...]
    ahead: tuple[Ahead, ...] = ()
    running_until: datetime | None = None
    heat: tuple[tuple[datetime, float], ...] = ()
    heat_limit_c: float | None = None


def timeline(night: Night) -> Markup:
    """Once for a telephone, once for a wide window: the style sheet shows one of them."""
    if not night.spans and not night.ahead:
        return Markup("")
    return _drawn(night, NARROW, "narrow", 4) + _drawn(night, WIDE, "wide", 9)


def in_words(night: Night) -> str:
    """ "2 units begun: 1 finished, 1 under way; points: 40 measured; 2 to come; at most until 06:30"."""
    ends = Counter(one.outcome if one.ended else "under way" for one in night.spans)
    marks = Counter(mark.outcome.replace("_", " ") for one in night.spans for mark in one.marks)
    count = len(night.spans)
    told = [f"{count} unit{'' if count == 1 else 's'} begun" + (f": {_counted(ends)}" if ends else "")]
    told += [f"points: {_counted(marks)}"] if marks else []
    if night.ahead:
        told.append(f"{len(night.ahead)} to come")
    if (last := ends_at_most(night)) is not None:
        told.append(f"at most until {_clock(last, night.now)}")
    return "; ".join(told)


def ends_at_most(night: Night) -> datetime | None:
    """None where something to come has no bound."""
    at = max(night.running_until, night.now) if night.running_until else night.now
    if any(one.most_s is None for one in night.ahead) or not (night.ahead or night.running_until):
        return None
    return at + timedelta(seconds=sum(one.most_s or 0.0 for one in night.ahead))


def _counted(counts: Counter[str]) -> str:
    return ", ".join(f"{count} {what}" for what, count in sorted(counts.items()))


def _drawn(night: Night, width: float, of: str, about: int) -> Markup:
    spans = night.spans[-MOST_ROWS:]
    ahead = night.ahead[: MOST_ROWS - len(spans)]
    first = min([night.now, *(one.begun for one in spans), *(at for at, _ in night.heat[:1])])
    last = max(ends_at_most(night) or night.now, night.now, first + timedelta(seconds=SHORTEST_S))
    across = Axis(0.0, (last - first).total_seconds())
    rows = len(spans) + len(ahead)
    field = Field(LEFT, 16.0, width - LEFT - 6.0, ROW * rows, across, Axis(0.0, 1.0))
    parts: list[str] = []
    for place, one in enumerate(spans):
        parts += _run(field, one, place, first, night)
    at = max(night.running_until, night.now) if night.running_until else night.now
    for place, next_one in enumerate(ahead, len(spans)):
        parts += _to_come(field, next_one, place, (at - first).total_seconds())
        at += timedelta(seconds=next_one.most_s or 0.0)
    parts.append(field.across_ticks(_hours(first, last, about)))
    parts += _now(field, (night.now - first).total_seconds())
    height = field.bottom + FOOT
    heat = [((at - first).total_seconds(), c) for at, c in night.heat if at >= first]
    if len(heat) > 1:
        parts += _heat(field, heat, night.heat_limit_c, height)
        height += HEAT + FOOT
    return svg(width, height, f"the night: {in_words(night)}", parts, of)


def _run(field: Field, one: Span, place: int, first: datetime, night: Night) -> list[str]:
    y = field.top + ROW * place + 19.0
    begun = field.x((one.begun - first).total_seconds())
    until = field.x(((one.ended or night.now) - first).total_seconds())
    parts = [f'<path class="run" d="M{begun:.1f} {y:.1f}H{max(until, begun + 1.0):.1f}"/>']
    if one.ended is None and night.running_until is not None and night.running_until > night.now:
        bound = field.x((night.running_until - first).total_seconds())
        parts.append(f'<path class="ahead" d="M{until:.1f} {y:.1f}H{bound:.1f}"/>')
    parts += [_mark(field.x((mark.at - first).total_seconds()), y, mark.outcome) for mark in one.marks]
    done = len(one.marks)
    how = one.outcome if one.ended else f"point {min(done + 1, one.of)} of {one.of}"
    return [*parts, _label(field, begun, y - 7.0, f"{one.serial}, bay {one.bay}: {how}")]


def _to_come(field: Field, one: Ahead, place: int, from_s: float) -> list[str]:
    y = field.top + ROW * place + 19.0
    begin = field.x(from_s)
    end = field.x(from_s + (one.most_s or 0.0))
    parts = [f'<path class="ahead" d="M{begin:.1f} {y:.1f}H{end:.1f}"/>'] if one.most_s else []
    return [*parts, _label(field, begin, y - 7.0, one.label)]


def _label(field: Field, x: float, y: float, words: str) -> str:
    """From its place to the right, or to the left where there is more room."""
    if x + LETTER * len(words) <= field.right:
        return text(x, y, words, "start")
    return text(field.right, y, words, "end")


def _mark(x: float, y: float, outcome: str) -> str:
    """Measured: a stroke; not measured: an open circle; tripped: a cross."""
    if outcome == "measured":
        return f'<path class="tick" d="M{x:.1f} {y - 4.0:.1f}v8"/>'
    if outcome == "tripped":
        return f'<path class="cross" d="M{x - 4:.1f} {y - 4:.1f}l8 8m0 -8l-8 8"/>'
    return f'<circle class="open" cx="{x:.1f}" cy="{y:.1f}" r="2.8"/>'


def _now(field: Field, now_s: float) -> list[str]:
    x = field.x(now_s)
    anchor = "end" if x > field.right - 24.0 else "start"
    return [
        f'<path class="limit" d="M{x:.1f} {field.top - 4.0:.1f}V{field.bottom:.1f}"/>',
        text(x + (-3.0 if anchor == "end" else 3.0), field.top - 5.0, "now", anchor),
    ]


def _heat(field: Field, heat: Sequence[tuple[float, float]], limit_c: float | None, top: float) -> list[str]:
    up = around([c for _, c in heat], least_wide=10.0, also=[] if limit_c is None else [limit_c])
    below = Field(field.left, top + 12.0, field.width, HEAT, field.across, up)
    parts = [below.up_ticks(ticks(up, 3), "hottest heat sink, °C"), below.line(heat, "trace")]
    return parts + ([below.level(limit_c, f"stop {limit_c:g} °C")] if limit_c is not None else [])


def _hours(first: datetime, last: datetime, about: int) -> list[tuple[float, str]]:
    """Whole hours, or parts of one, on the bench's own clock."""
    length_s = (last - first).total_seconds()
    every_s = next((one for one in EVERY_S if length_s / one <= about), EVERY_S[-1])
    midnight = first.replace(hour=0, minute=0, second=0, microsecond=0)
    since_s = (first - midnight).total_seconds()
    count = int(since_s // every_s) + 1
    found: list[tuple[float, str]] = []
    while (at_s := count * every_s - since_s) <= length_s:
        found.append((at_s, _clock(first + timedelta(seconds=at_s), first)))
        count += 1
    return found


def _clock(at: datetime, day: datetime) -> str:
    return f"{at.astimezone(day.tzinfo):%H:%M}"
