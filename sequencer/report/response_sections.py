"""Of response: curves over frequency, and the tones of a power bandwidth. Pure.

Every drawing and table names load, power, reference and band.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.report import words
from sequencer.report.blocks import Drawing, Table, heads
from sequencer.report.frequency_plot import PLAIN, Marked, by_frequency
from sequencer.report.plots import Line
from sequencer.report.power_sections import name_in_plot

Row = Mapping[str, Any]

HALF_DB = Marked(within=(-0.5, 0.5))


def drawings(run: Row) -> Iterator[Drawing]:
    """Response, balance, crosstalk, power bandwidth and output impedance of each point, where at least two tones were
    seen."""
    for point in run["points"]:
        if found := point.get("response"):
            at = words.frequency(found["reference_hz"])
            note = f"{_where(point)}: gain re {at}, at {found['power_w']:.3g} W or less."
            yield from _curves(point, "response", found["channels"], f"dB re {at}", note, HALF_DB)
        if found := point.get("balance"):
            beside = words.short(found["beside"], 6)
            note = f"{_where(point)}: gain less that of channel {beside}, at {found['power_w']:.3g} W or less."
            yield from _curves(point, "balance", found["channels"], f"dB re {beside}", note, HALF_DB)
        if found := point.get("crosstalk"):
            note = (
                f"{_where(point)}: what is left in the channel named, over the output of the one driven at "
                f"{found['power_w']:.3g} W; its input: {words.clean(found['undriven_input'])}. What lies below the "
                "floor is drawn at the floor."
            )
            yield from _curves(point, "crosstalk", _pairs(found["tones"]), "dB", note)

        if found := point.get("power_bandwidth"):
            yield from _bandwidth_curves(point, found)
        if found := point.get("output_impedance"):
            yield from _impedance_curves(point, found)


def _bandwidth_curves(point: Row, found: Row) -> Iterator[Drawing]:
    channels = _by_channel(found["tones"], "ratio_pct")
    what = "THD" if found["quantity"] == "thd" else "THD+N"
    limit = (found["limit_pct"], f"{found['limit_pct']:g} %")
    note = f"{_where(point)}: {what} at half the rated power, {found['half_power_w']:.4g} W. Red: its limit."
    if lines := _lines(channels):
        marked = Marked(limit=limit, dots=True)
        svg = by_frequency(f"bandwidth {point['id']}", lines, f"{what} %", "Power bandwidth", log=True, marked=marked)
        yield Drawing(svg, note)


def _impedance_curves(point: Row, found: Row) -> Iterator[Drawing]:
    """In milliohm; what is not above its own uncertainty is drawn at that."""
    rows = [
        {**one, "shown": 1e3 * max(one["ohm"], one["expanded_ohm"])} for one in found["tones"] if one["expanded_ohm"]
    ]
    note = (
        f"{_where(point)}: the resistance behind the output, by its volts into {words.listed(found['loads'])}. "
        "A point below its uncertainty is drawn at that."
    )
    if lines := _lines(_by_channel(rows, "shown")):
        svg = by_frequency(
            f"source {point['id']}", lines, "milliohm", "Output impedance", marked=Marked(dots=True, within=(0.0,))
        )
        yield Drawing(svg, note)


def _by_channel(rows: Sequence[Row], key: str) -> dict[str, list[tuple[float, float]]]:
    found: dict[str, list[tuple[float, float]]] = {}
    for row in sorted(rows, key=lambda one: one["frequency_hz"]):
        if row.get(key) is not None:
            found.setdefault(str(row["channel"]), []).append((row["frequency_hz"], row[key]))
    return found


def _lines(channels: Mapping[str, Sequence[tuple[float, float]]]) -> list[Line]:
    return [
        Line(name_in_plot(name, 10), i, tuple(x for x, _ in seen), tuple(y for _, y in seen))
        for i, (name, seen) in enumerate(sorted(channels.items()))
        if len(seen) > 1
    ]


def _curves(
    point: Row, key: str, channels: Mapping[str, Sequence[Row]], unit: str, note: str, marked: Marked = PLAIN
) -> Iterator[Drawing]:
    lines = [
        Line(name_in_plot(name, 10), i, tuple(r["frequency_hz"] for r in rows), tuple(_drawn_db(r) for r in rows))
        for i, (name, rows) in enumerate(sorted(channels.items()))
        if len(rows) > 1
    ]
    if lines:
        svg = by_frequency(f"{key} {point['id']}", lines, unit, words.name(key).capitalize(), marked=marked)
        yield Drawing(svg, note)


def _drawn_db(row: Row) -> float:
    return float(row["floor_db"] if row["db"] is None else row["db"])


def _pairs(tones: Sequence[Row]) -> dict[str, list[Row]]:
    """ "A to B" -> its tones."""
    found: dict[str, list[Row]] = {}
    for one in tones:
        found.setdefault(f"{one['driven']} to {one['channel']}", []).append(one)
    return found


def tables(run: Row) -> tuple[Table, ...]:
    """Every tone of a response, then of a power bandwidth."""
    responses = [_response(p) for p in run["points"] if p.get("response")]
    bandwidths = [_bandwidth(p) for p in run["points"] if p.get("power_bandwidth")]
    return tuple(one for one in (*responses, *bandwidths) if one.rows)


def _response(point: Row) -> Table:
    found = point["response"]
    names = sorted(found["channels"])
    by_tone: dict[float, dict[str, Row]] = {}
    for name in names:
        for row in found["channels"][name]:
            by_tone.setdefault(row["frequency_hz"], {})[name] = row
    rows = [
        (
            words.frequency(hz),
            words.number(1e3 * next(iter(seen.values()))["level_vrms"], 3),
            *(words.fixed(seen[name]["db"], 2) if name in seen else words.NONE for name in names),
        )
        for hz, seen in sorted(by_tone.items())
    ]
    columns = heads("tone", ">mV in", *(f">dB, {words.short(name, 6)}" for name in names))
    note = f"Gain re {words.frequency(found['reference_hz'])}; thirds of an octave unless the plan says otherwise."
    return Table(columns, tuple(rows), note, caption=_where(point), fine=True)


def _bandwidth(point: Row) -> Table:
    found = point["power_bandwidth"]
    what = "THD" if found["quantity"] == "thd" else "THD+N"
    rows = [
        (
            words.frequency(one["frequency_hz"]), words.short(one["channel"], 6), words.number(one["power_w"], 3),
            words.number(one["ratio_pct"], 2), str(one["harmonics"]), words.clean(one["misses"] or ""),
        )
        for one in found["tones"]
    ]  # fmt: skip
    rows += [(tone, "", "", "", "", words.clean(why)) for tone, why in found["missed"].items()]
    low, high = found["band_hz"]
    note = (
        f"Half the rated power is {found['half_power_w']:.4g} W; the limit is {found['limit_pct']:g} % {what}. "
        f"K: highest harmonic counted, within {words.frequency(low)} to {words.frequency(high)}."
    )
    columns = heads("tone", "channel", ">W", f">{what} %", ">K", "what it misses")
    return Table(columns, tuple(rows), note, caption=_where(point), fine=True)


def _where(point: Row) -> str:
    load = f", {words.short(point['load'], 20)}" if point.get("load") else ""
    return f"{words.name(point['measurement'])}{load} ({words.clean(point['id'])})"
