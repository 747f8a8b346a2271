"""Sections of a sheet about distortion: by level, by frequency, of bursts over the rated power, of two tones. Pure.

Band, harmonics, denominators and levels stand with every figure; what lies below the floor is told as less than it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sequencer.analysis.noise import BELOW_FLOOR_MEANS, less_than
from sequencer.report import plots, words
from sequencer.report.blocks import Drawing, Section, Table, heads, unrepeated
from sequencer.report.frequency_plot import Marked, by_frequency, lines_of
from sequencer.report.power_sections import name_in_plot

Row = Mapping[str, Any]

BY_LEVEL = "Distortion by level"
BY_FREQUENCY = "Distortion by frequency"
HEADROOM = "Dynamic headroom"
INTERMODULATION = "Intermodulation"
MOST_NAMED = 6  # lines: more would stand on each other
BELOW = "A point below the floor is drawn at the floor (grey)."


def with_levels(section: Section, run: Row) -> Section:
    """The searches' own section, and the bursts of one tone whose levels were given."""
    points = [p for p in run["points"] if p.get("distortion_by_level")]
    if not points:
        return section
    drawings = (*section.drawings, *(_level_drawing(p) for p in points))
    return replace(section, drawings=drawings, tables=(*section.tables, *map(_level_table, points)), empty="")


def further(run: Row) -> Iterator[Section]:
    """By frequency, headroom, intermodulation; one without a value is left out."""
    for title, makes in ((BY_FREQUENCY, _frequencies), (HEADROOM, _headroom), (INTERMODULATION, _intermodulation)):
        section = makes(run, title)
        if section.tables:
            yield section


# --- by level


def _level_drawing(point: Row) -> Drawing:
    rows = point["distortion_by_level"]
    lines = [
        plots.Line(name_in_plot(name, 6), i, tuple(r["power_w"] for r in mine), tuple(map(_drawn, mine)))
        for i, (name, mine) in enumerate(_by(rows, "channel").items())
    ]
    mine = next(iter(_by(rows, "channel").values()))
    floor = plots.Line(
        "floor", 0, tuple(r["power_w"] for r in mine), tuple(r["thd_floor_pct"] or r["thd_n_floor_pct"] for r in mine)
    )
    svg = plots.distortion(f"levels {point['id']}", lines, floor, None, "W of that channel")
    return Drawing(svg, f"{_where(point)}: THD, {_counted(rows[0])}. {BELOW}")


def _level_table(point: Row) -> Table:
    channels = _by(point["distortion_by_level"], "channel")
    columns = [f">{what}, {words.short(name, 6)}" for name in channels for what in ("W", "THD %", "THD+N %")]
    levels = list(_by(point["distortion_by_level"], "level_db"))
    rows = [
        (
            words.fixed(level, 1),
            *(cell for mine in channels.values() for cell in _cells(next(r for r in mine if r["level_db"] == level))),
        )
        for level in sorted(levels)
    ]
    note = f"dB re the level of the limit found before; {_counted(point['distortion_by_level'][0])}."
    return Table(heads(">dB", *columns), tuple(rows), note, caption=_where(point), fine=True)


def _cells(row: Row) -> tuple[str, str, str]:
    return words.number(row["power_w"], 3), _thd(row), words.number(row["thd_n_pct"], 2)


# --- by frequency


def _frequencies(run: Row, title: str) -> Section:
    points = [p for p in run["points"] if p.get("distortion_by_frequency")]
    drawings = [_frequency_drawing(p, asked, rows) for p in points for asked, rows in _powers(p)]
    tables = [_frequency_table(p, asked, rows) for p in points for asked, rows in _powers(p)]
    return Section(title, drawings=tuple(filter(None, drawings)), tables=tuple(tables))


def _powers(point: Row) -> list[tuple[str, list[Row]]]:
    return list(_by(point["distortion_by_frequency"], "asked").items())


def _frequency_drawing(point: Row, asked: str, rows: Sequence[Row]) -> Drawing | None:
    """Where at least two tones have a harmonic within the band."""
    channels = _by([r for r in rows if r["thd_pct"] is not None], "channel")
    lines = [
        plots.Line(name_in_plot(name, 6), i, tuple(r["frequency_hz"] for r in mine), tuple(map(_drawn, mine)))
        for i, (name, mine) in enumerate(channels.items())
        if len(mine) > 1
    ]
    if not lines:
        return None
    mine = next(iter(channels.values()))
    floor = plots.Line("floor", 0, lines[0].xs, tuple(r["thd_floor_pct"] for r in mine))
    key = f"tones {point['id']} {asked}"
    svg = by_frequency(key, lines, "%", "Distortion by frequency", (floor,), log=True)
    return Drawing(svg, f"{_where(point)} at {words.clean(asked)}: THD, harmonics up to 20 kHz. {BELOW}")


def _frequency_table(point: Row, asked: str, rows: Sequence[Row]) -> Table:
    channels = _by(rows, "channel")
    columns = [f">{what}, {words.short(name, 6)}" for name in channels for what in ("W", "THD %", "THD+N %")]
    told = [
        (
            words.frequency(hz),
            str(mine[0]["harmonics"]) if mine[0]["harmonics"] > 1 else "none",
            *(cell for name in channels for cell in _cells(next(r for r in mine if r["channel"] == name))),
        )
        for hz, mine in _by(rows, "frequency_hz").items()
    ]
    low, high = rows[0]["band_hz"]
    note = (
        f"Band {low:g} to {high:g} Hz. K: highest harmonic within it; above {high / 3000.0:.3g} kHz the 3rd lies "
        f"outside, above {high / 2000.0:g} kHz every one, and THD+N is noise alone."
    )
    caption = f"{_where(point)}, {words.clean(asked)}"
    return Table(heads("tone", ">K", *columns), tuple(told), note, caption=caption, fine=True)


# --- headroom and two tones


def _headroom(run: Row, title: str) -> Section:
    rows = [
        (
            words.short(point.get("load") or words.NONE, 20), words.short(one["channel"], 6), _value_of(point, one),
            words.number(one["burst_power_w"]), words.number(one["thd_pct"], 2),
            f"{one['rated_power_w']:g} at {one['rated_thd_pct']:g} %", words.number(1e3 * one["gap_s"], 3),
        )
        for point in run["points"]
        for one in point.get("headroom") or ()
    ]  # fmt: skip
    note = (
        "Bursts of 20 cycles of 1 kHz, 480 cycles 20 dB down before each, both counted: an endless tone is never used, "
        "so there is a silence before each burst. As in IHF-A-202, from memory."
    )
    columns = heads("load", "channel", ">dB over rated", ">W of the burst", ">THD %", "W rated", ">ms of silence")
    drawings = tuple(_headroom_drawing(p) for p in run["points"] if p.get("headroom"))
    return Section(title, drawings=drawings, tables=(Table(columns, tuple(rows), note),) if rows else ())


def _headroom_drawing(point: Row) -> Drawing:
    """Each channel's burst beside the power it is rated at."""
    rows = [
        plots.Power("20 ms", words.short(one["channel"], 6), i, one["burst_power_w"], None, _expanded_w(point, one))
        for i, one in enumerate(point["headroom"])
    ]
    rated = {one["rated_power_w"] for one in point["headroom"]}
    lines = [plots.Rated(f"rated {watts:g} W", watts) for watts in sorted(rated)]
    note = f"{_where(point)}: W of the burst with its uncertainty, over the rated power."
    return Drawing(plots.power_ladder(f"headroom {point['id']}", rows, lines), note)


def _expanded_w(point: Row, one: Row) -> float | None:
    """Of the burst, from the decibels' own (for small ones)."""
    mine = [v for v in point["values"] if v["name"] == "dynamic headroom" and v["channel"] == one["channel"]]
    expanded_db = mine[0].get("expanded_uncertainty") if mine else None
    return None if expanded_db is None else float(one["burst_power_w"] * (10.0 ** (expanded_db / 10.0) - 1.0))


def _value_of(point: Row, one: Row) -> str:
    mine = [v for v in point["values"] if v["name"] == "dynamic headroom" and v["channel"] == one["channel"]]
    return words.measured(mine[0]["value"], mine[0].get("expanded_uncertainty")) if mine else words.NONE


def _intermodulation(run: Row, title: str) -> Section:
    rows = [
        (
            words.short(point.get("load") or words.NONE, 20), _tones(one), words.number(one["crest_power_w"], 3),
            words.clean(one["name"]), words.clean(one["denominator"]), words.short(one["channel"], 6), _product(one),
        )
        for point in run["points"]
        for one in point.get("intermodulation") or ()
    ]  # fmt: skip
    note = (
        "W: of a sine with the crest of both tones. Modulation distortion: rms of the sidebands up to the 5th (SMPTE "
        "RP 120); d2, d3: sums of the lines' volts (IEC 60268-3, from memory)."
    )
    columns = heads("load", "tones", ">W", "what", "over", "channel", ">%")
    drawings = tuple(drawing for p in run["points"] for drawing in _spectra(p))
    return Section(title, drawings=drawings, tables=(Table(columns, unrepeated(rows, 3), note),) if rows else ())


def _spectra(point: Row) -> Iterator[Drawing]:
    """One for each pair of tones: every channel, with the products that were looked for by name."""
    for tones, rows in _by([{**r, "pair": tuple(r["tones_hz"])} for r in _shown(point)], "pair").items():
        lines = [
            plots.Line(name_in_plot(r["channel"], 6), i, tuple(r["hz"]), tuple(r["db"]))
            for i, r in enumerate(rows)
            if len(r["hz"]) > 1
        ]
        if not lines:
            continue
        low, high = lines[0].xs[0], lines[0].xs[-1]
        inside = [hz for hz in tones if low <= hz <= high]
        named = tuple((hz, words.frequency(hz).removesuffix(" kHz")) for hz in (*inside, *_products(point, rows[0])))
        named = tuple((hz, name) for hz, name in named if low <= hz <= high)
        asked = f"{words.frequency(tones[0])} + {words.frequency(tones[1])}, {rows[0]['ratio']:g}:1"
        svg = lines_of(f"pair {point['id']} {tones}", lines, "dB", "Spectrum of two tones", Marked(named=named))
        yield Drawing(
            svg, f"{_where(point)}: {asked}, at {rows[0]['part']:.3g} of the power; dB re the largest line shown."
        )


def _shown(point: Row) -> Sequence[Row]:
    return point.get("intermodulation_spectra") or ()


def _products(point: Row, shown: Row) -> list[float]:
    """Lines of the second and third order that stand above their floor, Hz."""
    found = {
        hz
        for one in point["intermodulation"]
        if one["tones_hz"] == shown["tones_hz"] and not one["below_floor"] and one["part"] == shown["part"]
        for hz in one["lines_hz"]
    }
    return sorted(found) if len(found) <= MOST_NAMED else []


def _tones(one: Row) -> str:
    return f"{' + '.join(words.frequency(hz) for hz in one['tones_hz'])}, {one['ratio']:g}:1"


def _product(one: Row) -> str:
    if one["below_floor"]:
        less_pct = one.get("less_than_pct") or BELOW_FLOOR_MEANS * one["floor_pct"]  # results of before do not say
        return f"< {words.number(less_pct, 2)}"
    return words.number(one["pct"], 3)


# --- what they share


def _by(rows: Sequence[Row], key: str) -> dict[Any, list[Row]]:
    found: dict[Any, list[Row]] = {}
    for row in rows:
        found.setdefault(row[key], []).append(row)
    return found


def _where(point: Row) -> str:
    load = point.get("load")
    return f"{words.short(load, 20)} ({words.clean(point['id'])})" if load else words.clean(point["id"])


def _counted(row: Row) -> str:
    low, high = row["band_hz"]
    return f"harmonics 2 to {row['harmonics']} within {low:g} to {high:g} Hz"


def _drawn(row: Row) -> float:
    """THD in %, and nothing below its floor; THD+N where no harmonic lies within the band."""
    if row["thd_pct"] is None:
        return float(row["thd_n_pct"])
    if row["thd_below_floor"]:
        return float(row["thd_floor_pct"])
    return float(row["thd_pct"])


def _thd(row: Row) -> str:
    if row["thd_pct"] is None:
        return "outside"
    if row["thd_below_floor"]:
        return f"< {words.number(less_than(row['thd_floor_pct'], row['harmonics']), 2)}"
    return words.number(row["thd_pct"], 3)
