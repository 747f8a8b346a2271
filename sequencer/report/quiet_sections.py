"""Of silence and of hours: noise by thirds of an octave, what was met of a preconditioning. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.report import words
from sequencer.report.blocks import Drawing, Table, heads
from sequencer.report.frequency_plot import by_frequency
from sequencer.report.plots import Line
from sequencer.report.power_sections import name_in_plot

Row = Mapping[str, Any]

LEAST_UV = 1e-3  # a logarithm needs something


def noise_drawings(run: Row) -> Iterator[Drawing]:
    """One for each point of noise: every channel in ink, what the digitiser shows of itself in grey."""
    for point in run["points"]:
        bands = point.get("noise_bands")
        if not bands:
            continue
        hz = tuple(bands["middle_hz"])
        lines = [_line(name, i, hz, vrms) for i, (name, vrms) in enumerate(sorted(bands["on_vrms"].items()))]
        own = [_line("", 0, hz, vrms) for vrms in bands["off_vrms"].values()]
        svg = by_frequency(f"noise {point['id']}", lines, "µVrms in a third of an octave", "Noise", own, log=True)
        note = (
            f"{words.clean(point['id'])}: noise and hum in thirds of an octave, {words.clean(point['termination'])}; "
            f"{point['records']} records of {point['record_s']:g} s. Grey: {words.clean(point['own_noise'])}. "
            f"Controls: {words.clean(point['unit_settings'])}."
        )
        yield Drawing(svg, note)


def _line(name: str, style: int, hz: tuple[float, ...], vrms: list[float]) -> Line:
    return Line(name_in_plot(name, 6), style, hz, tuple(max(1e6 * v, LEAST_UV) for v in vrms))


def conditions(run: Row) -> tuple[Table, ...]:
    """What was met of the conditions under which a power is rated."""
    rows = [
        (words.clean(one["asks"]), one["met"], words.clean(one["words"]))
        for point in run["points"]
        for one in point.get("conditions") or ()
    ]
    note = "Of the preconditioning of 16 CFR 432.3, from memory; what no instrument here sees is not known."
    return (Table(heads("asked", "met", "what was so"), tuple(rows), note),) if rows else ()
