"""A figure over the years as a small drawing: readings with their uncertainty, and the line through them. Pure.

Written as an inline element in the page's own ink, so that it follows light and dark. No names stand in it.
"""

from __future__ import annotations

from markupsafe import Markup

from sequencer.comparing.history import History
from sequencer.report import words

WIDE, HIGH, LEFT, RIGHT, TOP, FOOT = 320.0, 130.0, 46.0, 8.0, 8.0, 20.0


def drawing(one: History) -> Markup:
    """Dates from left to right, the figure upwards; bars: ± of each reading; line: where five and more allow one."""
    ends = [
        value
        for reading in one.readings
        for value in (
            reading.figure.value - (reading.figure.expanded or 0.0),
            reading.figure.value + (reading.figure.expanded or 0.0),
        )
    ]
    low, high = min(ends), max(ends)
    room = 0.08 * (high - low) or 0.05 * abs(high) or 1.0
    low, high = low - room, high + room
    last = one.readings[-1].years

    def x(years: float) -> float:
        return LEFT + (WIDE - LEFT - RIGHT) * (0.02 + 0.96 * (years / last if last else 0.5))

    def y(value: float) -> float:
        return TOP + (HIGH - TOP - FOOT) * (high - value) / (high - low)

    drawn = [
        f'<path class="field" d="M{LEFT:.1f} {TOP:.1f}V{HIGH - FOOT:.1f}H{WIDE - RIGHT:.1f}"/>',
        _text(LEFT - 4.0, y(high - room) + 3.0, words.number(high - room, 4), "end"),
        _text(LEFT - 4.0, y(low + room) + 3.0, words.number(low + room, 4), "end"),
        _text(LEFT, HIGH - 6.0, one.readings[0].run.begun[:10], "start"),
        _text(WIDE - RIGHT, HIGH - 6.0, one.readings[-1].run.begun[:10], "end"),
    ]
    if one.drift is not None:
        (start, _), (end, _) = one.drift.at_first, one.drift.at_last
        drawn.append(f'<path class="line" d="M{x(0.0):.1f} {y(start):.1f}L{x(last):.1f} {y(end):.1f}"/>')
    for reading in one.readings:
        at, u = x(reading.years), reading.figure.expanded or 0.0
        up, down = y(reading.figure.value + u), y(reading.figure.value - u)
        drawn.append(f'<path class="bar" d="M{at:.1f} {up:.1f}V{down:.1f}"/>')
        drawn.append(f'<circle cx="{at:.1f}" cy="{y(reading.figure.value):.1f}" r="1.8"/>')
    inner = Markup("").join(Markup(part) for part in drawn)
    label = f"{len(one.readings)} readings over time, in {one.unit or 'its unit'}"
    return Markup('<svg role="img" aria-label="{}" viewBox="0 0 320 130">{}</svg>').format(label, inner)


def _text(x: float, y: float, told: str, anchor: str) -> str:
    return str(Markup('<text x="{}" y="{}" text-anchor="{}">{}</text>').format(
        f"{x:.1f}", f"{y:.1f}", anchor, words.clean(told)))  # fmt: skip
