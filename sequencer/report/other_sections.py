"""Sections of a sheet that are not drawings of power: judgement, rail, heat, trips. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.report import plots, words
from sequencer.report.attention import NEAR, Concern
from sequencer.report.blocks import Drawing, Section, Table, filled, gathered, heads
from sequencer.report.judged import Judged, counted
from sequencer.report.power_sections import name_in_plot, powered
from sequencer.report.quiet_sections import conditions
from sequencer.report.value_sections import table as value_table
from sequencer.safety.remedies import remedy_of_trip

Row = Mapping[str, Any]

WITH_UNIT = re.compile(r"(.*\d) (\D+)")
NO_JUDGEMENT = "Nothing was judged: these results hold no rating for what was measured, and no judged value."


def judgement(judged: Sequence[Judged], found: Sequence[Concern], answer: str = "") -> Section:
    """What needs a person, then what is not plainly within, then the rest in small type. answer: of a first look."""
    tables = [Table(heads("look first at", "next"), tuple((c.sentence, c.next_action) for c in found))]
    columns = heads("what", "reading", "held against", "judgement", "remark")
    together = _together(judged)
    near = [_judged_row(some) for some in together if not _plain(some)]
    if near:
        tables.append(filled(Table(columns, tuple(near))))
    if rows := [_judged_row(some) for some in together if _plain(some)]:
        short = tuple((what, read, "; ".join(filter(None, (held, aside)))) for what, read, held, _, aside in rows)
        tables.append(Table(heads("within", "reading", "held against"), short, fine=True))
    says = (f"{counted(judged)}." if judged else NO_JUDGEMENT,)
    return Section("Judgement", words.told(answer), says=says, tables=tuple(tables), front=True)


def _plain(some: Sequence[Judged]) -> bool:
    return some[0].judgement == "within" and not some[0].near


def _together(judged: Sequence[Judged]) -> list[list[Judged]]:
    """Channels of one point that were judged alike stand in one line; so does one value in several states of heat."""
    found: dict[tuple[object, ...], list[Judged]] = {}
    for j in judged:
        place: tuple[object, ...] = (j.point, j.where, j.limit, j.reason)
        if not j.is_power:
            place = (j.where.partition(", ")[0], j.limit.partition("; ")[0])
        found.setdefault((*place, j.judgement, j.near), []).append(j)
    return list(found.values())


def _judged_row(some: Sequence[Judged]) -> tuple[str, ...]:
    j = some[0]
    by_where: dict[str, list[str]] = {}
    for one in some:
        by_where.setdefault(one.where, []).append(f"{one.channel} {one.reading}".strip())
    limit, _, aside = j.limit.partition("; ")
    if len(by_where) == 1:
        return j.where, _in_one(by_where[j.where]), limit, j.judgement, NEAR if j.near else j.reason or _aside(aside)
    what = j.where.partition(", ")[0]  # "offset" of "offset, cold"
    readings = [f"{where.partition(', ')[2]} {_in_one(told)}" for where, told in by_where.items()]
    return what, "; ".join(readings), limit, j.judgement, NEAR if j.near else j.reason


def _in_one(readings: Sequence[str]) -> str:
    """ "A 62.9 ±1.6, B 63.8 ±1.6 W": the unit once, where it is the same."""
    parts = [WITH_UNIT.fullmatch(reading) for reading in readings]
    units = {part[2] for part in parts if part}
    if None in parts or len(units) != 1:
        return ", ".join(readings)
    return f"{', '.join(part[1] for part in parts if part)} {units.pop()}"


def _aside(text: str) -> str:
    """What a value's uncertainty leaves out is told where the value stands, not here."""
    return "; ".join(part for part in text.split("; ") if not part.startswith(("uncertainty:", "the meter's own")))


def rail(run: Row) -> Section:
    rows = [(words.clean(p["id"]), words.where(p), *_rail(p, r)) for p in powered(run) for r in p.get("rails") or ()]
    if not rows:
        return Section("Rail and current", empty="not measured: no point of this run has a rail")
    columns = heads("point", "drive", "rail", ">V before", ">V last", ">sag %", ">V supply", ">A", "seen", "remark")
    seen = max(dict.fromkeys(row[8] for row in rows), key=[row[8] for row in rows].count)
    rows = [(*row[:8], "" if row[8] == seen else row[8].removesuffix(" window"), row[9]) for row in rows]
    note = (
        f"V before, V last: at the unit's terminals, before the burst and in its last cycle; seen by {seen}, but where "
        "a row says otherwise. V supply, A: the supply's own meter, slower than a burst."
    )
    return Section("Rail and current", tables=(gathered(filled(Table(columns, tuple(rows), note))),))


def _rail(point: Row, one: Row) -> tuple[str, ...]:
    return (
        words.clean(one["rail"]), words.number(one.get("at_unit_before_v")), words.number(one.get("at_unit_v")),
        words.number(one.get("sag_pct"), 2), words.number(one.get("at_supply_v")), words.number(one.get("amps"), 3),
        words.clean(one.get("seen") or "not seen"), words.clean(point.get("rail_note") or ""),
    )  # fmt: skip


def temperature(run: Row) -> Section:
    title = "Temperature over the night"
    points = [p for p in run["points"] if p.get("heatsink_c") and p.get("start_heatsink_c")]
    if not points:
        return Section(title, empty="not measured: no point of this run has a temperature")
    names = sorted({name for p in points for name in p["heatsink_c"]})
    lines = [_heat_line(points, name, i) for i, name in enumerate(names)]
    svg = plots.temperatures("temperature", lines, [name_in_plot(p["id"], 6) for p in points])
    rows = [(_at(p), *(_span(p, name) for name in names), *_joules(p)) for p in points]
    columns = heads("point", *(f">{words.short(name, 12)} °C" for name in names), ">J unit", ">J loads")
    table = Table(columns, tuple(rows), "Heat sink at the start → at the end of the point. J: of all its shots.")
    drawing = Drawing(svg, "Start and end of each point, in running order.")
    soaks = (*value_table(run, title), *conditions(run))
    return Section(title, drawings=(drawing, *_soaks(run)), tables=(table, *soaks), beside=not soaks)


def _soaks(run: Row) -> Iterator[Drawing]:
    """The curve of each soak, a line a channel, with its K/W."""
    for point in run["points"]:
        curve = point.get("curve") or ()
        if len(curve) < 2:
            continue
        names = sorted({name for one in curve for name in one["heatsink_c"]})
        lines = [
            plots.Line(
                name_in_plot(name, 6),
                i,
                tuple(one["at_s"] / 60.0 for one in curve if name in one["heatsink_c"]),
                tuple(one["heatsink_c"][name] for one in curve if name in one["heatsink_c"]),
            )
            for i, name in enumerate(names)
        ]
        told = [
            f"{words.clean(v.get('channel') or 'both')} {words.measured(v['value'], v.get('expanded_uncertainty'))} K/W"
            for v in point.get("values") or ()
            if v["name"] == "K/W" and v["value"] is not None
        ]
        told = told or (["no K/W could be told"] if point["measurement"] == "soak" else [])
        what = ": ".join(filter(None, (words.name(point["measurement"]), ", ".join(told))))
        note = f"{words.clean(point['id'])}, {what}."
        yield Drawing(plots.warming(f"soak {point['id']}", lines), note)


def _heat_line(points: Sequence[Row], name: str, style: int) -> plots.Line:
    seen = [
        (i + at, p[key][name])
        for i, p in enumerate(points)
        for at, key in ((0.0, "start_heatsink_c"), (0.7, "heatsink_c"))
        if name in p[key]
    ]
    return plots.Line(name_in_plot(name, 6), style, tuple(x for x, _ in seen), tuple(y for _, y in seen))


def _at(point: Row) -> str:
    """An id alone says nothing to who reads the sheet."""
    what = words.where(point) if point["measurement"] == "output_power" else words.name(point["measurement"])
    return f"{words.clean(point['id'])} {what}"


def _span(point: Row, name: str) -> str:
    return " → ".join(words.number(point[key].get(name), 3) for key in ("start_heatsink_c", "heatsink_c"))


def _joules(point: Row) -> tuple[str, str]:
    return words.number(point.get("energy_unit_j"), 3), words.number(point.get("energy_load_j"), 3)


def trips(run: Row) -> Section:
    told = run.get("trips") or ()
    if not told:
        return Section("Trips", empty="none in this run")
    table = Table(heads("time", "point", "what", "cause", "made safe"), tuple(map(_trip, told)))
    next_lines = dict(filter(None, map(remedy_of_trip, told)))  # each once
    return Section("Trips", tables=(table,), terms=tuple((f"Next: {name}", line) for name, line in next_lines.items()))


def _trip(trip: Row) -> tuple[str, ...]:
    confirmed = trip.get("confirmed_safe")
    safe = "not said" if confirmed is None else "confirmed" if confirmed else "not confirmed"
    missing = ", ".join(map(words.clean, trip.get("not_confirmed") or ()))
    held = [
        f"{words.name(trip['quantity'])} {words.number(trip.get('value'))}, limit {words.number(trip.get('limit'))}"
    ]
    what = words.clean(trip["sentence"]) + (f" ({held[0]})" if trip.get("quantity") else "")
    return (
        words.stamp(trip["time"]), words.clean(trip.get("point") or words.NONE), what,
        words.clean(trip.get("cause") or "not said"), safe + (f": {missing}" if missing else ""),
    )  # fmt: skip
