"""Of silence and of hours: noise by lines and by thirds of an octave, thumps, what is quicker than the signal, loads as
they warm, what was met of a preconditioning, cycles of work. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from sequencer.report import words
from sequencer.report.blocks import Drawing, Table, heads
from sequencer.report.frequency_plot import Marked, by_frequency
from sequencer.report.plots import Line, over_states, thumps
from sequencer.report.power_sections import name_in_plot

Row = Mapping[str, Any]

CYCLE_HEADS = heads(
    "cycle", "channel", ">rested min", ">heat sink °C", ">offset mV", ">gain dB", ">at 10 mV dB", ">W small",
    ">W large", "drop-outs", "furthest",
)  # fmt: skip
CYCLE_NOTE = (
    "Cold → after the work. At 10 mV: gain there less that at the small power. Drop-outs: bursts that showed one, of "
    "all; only the end of each is looked through."
)
CYCLE_SPANS = (("heatsink_c", 1.0, 3), ("offset_v", 1e3, 3), ("gain_db", 1.0, 4), ("small_less_db", 1.0, 2))
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
        if spectrum := point.get("noise_spectrum"):
            yield _noise_lines(point, spectrum)


def _noise_lines(point: Row, spectrum: Row) -> Drawing:
    """Hum by name where it was told apart from the noise."""
    hum = {v["frequency_hz"] for v in point["values"] if str(v["name"]).startswith("hum") and v["value"] is not None}
    lines = [_line(name, i, tuple(one["hz"]), one["vrms"]) for i, (name, one) in enumerate(sorted(spectrum.items()))]
    marked = Marked(named=tuple((hz, f"{hz:g}") for hz in sorted(hum)))
    svg = by_frequency(
        f"hum {point['id']}", lines, "µVrms, each line", "Spectrum of the noise", log=True, marked=marked
    )
    named = f"mains hum at {', '.join(f'{hz:g}' for hz in sorted(hum))} Hz by name" if hum else "no hum above the noise"
    return Drawing(svg, f"{words.clean(point['id'])}: the same by its lines, the digitiser's own noise in it; {named}.")


def rest_drawings(run: Row) -> Iterator[Drawing]:
    """Of stability: what stands at each output without a signal, up to half the sample rate."""
    for point in run["points"]:
        if shown := point.get("rest_spectrum"):
            lines = [
                _line(name, i, tuple(one["hz"]), one["vrms"])
                for i, (name, one) in enumerate(sorted(shown.items()))
                if len(one["hz"]) > 1
            ]
            if lines:
                svg = by_frequency(f"rest {point['id']}", lines, "µVrms, each line", "Spectrum at rest", log=True)
                yield Drawing(
                    svg, f"{words.clean(point['id'])}: at rest, as sampled. An oscillation stands out as a peak."
                )


def thump_drawings(run: Row) -> Iterator[Drawing]:
    """Of coming on: the largest thump of each channel, from where its output follows."""
    for point in run["points"]:
        lines = [
            Line(name_in_plot(name, 6), i, tuple(1e3 * s for s in one["at_s"]), tuple(one["volts"]))
            for i, (name, one) in enumerate(sorted((point.get("thumps") or {}).items()))
            if len(one["at_s"]) > 1
        ]
        if lines:
            of = words.clean(point["id"])
            note = f"{of}: the largest thump, mean of each cycle of the tone, less what it was before."
            yield Drawing(thumps(f"thump {point['id']}", lines), note)


LOAD_STATES = {"load, cold": "cold", "load, cold, at more power": "at power", "load, warm": "warm"}


def load_drawings(run: Row) -> Iterator[Drawing]:
    """Of the check of the loads: ohms of each channel's, cold, under power, and after minutes of it."""
    for point in run["points"]:
        if point["measurement"] != "load_check":
            continue
        seen: dict[str, list[tuple[float, float]]] = {}
        for value in point.get("values") or ():
            if value["name"] in LOAD_STATES and value["value"] is not None:
                at = float(list(LOAD_STATES).index(value["name"]))
                seen.setdefault(str(value["channel"]), []).append((at, value["value"]))
        lines = [
            Line(name_in_plot(name, 6), i, tuple(x for x, _ in found), tuple(y for _, y in found))
            for i, (name, found) in enumerate(sorted(seen.items()))
            if len(found) > 1
        ]
        if lines:
            svg = over_states(f"loads {point['id']}", lines, list(LOAD_STATES.values()), "ohm")
            of = f"{words.clean(point['id'])}: ohms of load {words.short(point['load'], 20)}"
            yield Drawing(svg, f"{of} by volts and amps; differences are known better than the ohms.")


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


def cycles(run: Row) -> tuple[Table, ...]:
    """A line for each cycle and channel of an endurance."""
    return tuple(
        Table(CYCLE_HEADS, tuple(map(_cycle, rows)), CYCLE_NOTE, caption=f"Cycles of {words.clean(point['id'])}")
        for point in run["points"]
        if (rows := point.get("endurance_cycles"))
    )


def _cycle(row: Row) -> tuple[str, ...]:
    span = [_span(row, name, times, digits) for name, times, digits in CYCLE_SPANS]
    outs = "none" if not row["bursts_with_dropout"] else f"{row['bursts_with_dropout']} of {row['bursts']}"
    worst = "" if row["furthest_db"] is None else f"{words.number(row['furthest_db'], 3)} dB"
    return (
        words.clean(row["cycle"]), words.clean(row["channel"]), f"{row['rested_s'] / 60.0:.0f}", *span,
        words.number(row["small_power_w"], 3), words.number(row["loud_power_w"], 3), outs, worst,
    )  # fmt: skip


def _span(row: Row, name: str, times: float, digits: int) -> str:
    """Cold, then after the work."""
    seen = [row.get(f"{when}_{name}") for when in ("cold", "after")]
    return " → ".join(words.number(None if one is None else times * one, digits) for one in seen)
