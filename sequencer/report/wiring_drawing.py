"""The wiring that was found at the output terminals of a unit, drawn for its sheet. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import matplotlib as mpl

from sequencer.measurements.terminals import BONDED, bond, ohms_in_words
from sequencer.report import words
from sequencer.report.blocks import Drawing
from sequencer.report.ink import ACCENT, INK, SETTINGS, as_svg, figure

Row = Mapping[str, Any]

LINE_IN, EDGE_IN = 0.24, 0.2
UNIT_LEFT, UNIT_RIGHT, MINUS_AT = 0.02, 0.3, 0.95  # of the width
BEYOND = 0.32  # where a terminal's words begin
MINUS = "at the supply's minus"


def wiring_drawings(run: Row) -> Iterator[Drawing]:
    """One for each scan: the unit's terminals, what stands at each, and what hangs on the supply's minus."""
    for point in run["points"]:
        if found := point.get("wiring_found"):
            told = "as its file says" if found["as_declared"] else "not as its file says: see Judgement"
            note = f"{words.clean(point['id'])}: output terminals against the supply's minus, at 50 mV; {told}."
            yield Drawing(_drawn(str(point["id"]), found), note)


def _lines(found: Row) -> list[tuple[str, str, bool, bool]]:
    """Terminal, what is told of it, whether it is live, whether it hangs on the supply's minus."""
    lines = [
        (
            words.short(one["terminal"], 12),
            f"{one['tone_vrms']:.3f} V, {words.clean(one['state'])}",
            str(one["state"]).startswith("live"),
            one["state"] == MINUS,
        )
        for one in found["terminals"]
    ]
    ohm, volts = found.get("shell_ohm"), found.get("shell_v")
    if ohm is not None or volts is not None:
        told = ", ".join(
            ([f"{volts:.3f} V"] if volts is not None else [])
            + ([] if ohm is None else [f"{bond(ohm)} ({ohms_in_words(ohm)})"])
        )
        lines.append(("input shell", told, False, ohm is not None and bond(ohm) == BONDED))
    return lines


def _drawn(key: str, found: Row) -> Any:
    lines = _lines(found)
    high_in = LINE_IN * (len(lines) + 1) + 2.0 * EDGE_IN
    with mpl.rc_context(SETTINGS):
        drawn = figure(high_in)
        field = drawn.add_axes((0.0, 0.0, 1.0, 1.0))
        field.set_axis_off()
        field.set_xlim(0.0, 1.0)
        field.set_ylim(0.0, high_in)
        top, bottom = high_in - EDGE_IN, EDGE_IN + 0.5 * LINE_IN
        box = ((UNIT_LEFT, UNIT_RIGHT, UNIT_RIGHT, UNIT_LEFT, UNIT_LEFT), (bottom, bottom, top, top, bottom))
        field.plot(*box, color=INK, linewidth=0.6)
        on_minus = []
        for i, (terminal, told, live, joined) in enumerate(lines):
            y = top - (i + 0.6) * LINE_IN
            field.plot(
                (UNIT_RIGHT, BEYOND - 0.01), (y, y), color=ACCENT if live else INK, linewidth=1.6 if live else 0.6
            )
            field.text(UNIT_RIGHT - 0.015, y, terminal, ha="right", va="center")
            field.text(BEYOND, y, told, ha="left", va="center", fontweight="bold" if live else "normal")
            if joined:
                on_minus.append(y)
        foot = EDGE_IN * 0.6
        for y in on_minus:
            field.plot((MINUS_AT - 0.06, MINUS_AT), (y, y), color=INK, linewidth=0.6)
        if on_minus:
            field.plot((MINUS_AT, MINUS_AT), (foot, max(on_minus)), color=INK, linewidth=0.6)
        field.plot((BEYOND + 0.22, MINUS_AT if on_minus else BEYOND + 0.3), (foot, foot), color=INK, linewidth=0.6)
        field.text(BEYOND, foot, "supply minus", ha="left", va="center")
        return as_svg(drawn, f"wiring {key}", "Wiring found at the output terminals")
