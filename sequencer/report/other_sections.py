"""Sections of a sheet that are not drawings of power: judgement, rail, heat, trips, values, how and with what. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.report import plots, words
from sequencer.report.attention import NEAR, Concern
from sequencer.report.blocks import Drawing, Section, Table, filled, heads, unrepeated
from sequencer.report.judged import Judged, counted
from sequencer.report.power_sections import name_in_plot, powered
from sequencer.report.shots import longest
from sequencer.report.value_sections import table as value_table

Row = Mapping[str, Any]

NO_JUDGEMENT = "Nothing was judged: these results hold no rating for what was measured, and no judged value."
TERMS = (
    ("W at limit", "power interpolated to the stop limit, between the last shot below it and the first above."),
    ("W accepted", "power at the accepted level, which is within the limit, confirmed by fresh shots."),
    ("Both", "true rms, without the mean, of the last cycle over the load's measured ohms, at the unit's terminals."),
    ("Burst residual", "for few cycles: the same burst about 12 dB lower is scaled, turned and subtracted; what is "
     "left, in harmonics, is the unit's own. Plain THD of one cycle behind a coupling capacitor shows percents on a "
     "sound unit."),
)  # fmt: skip
CAUTIONS = (
    "Software is never the only protection: fuses, thermal cut-outs and an emergency stop by hand come first.",
    "These numbers hold for the loads, the supply, the channels driven and the start temperatures beside them.",
    'Loads stay hot and reservoirs stay charged after "off": wait, measure, then touch.',
    "Both outputs of a bridged unit are live: no scope ground on either.",
    '"Within" says what was measured that night; it promises nothing of later.',
)


def judgement(judged: Sequence[Judged], found: Sequence[Concern]) -> Section:
    rows = [_judged_row(some) for some in _together(judged)]
    tables = [Table(heads("look first at", "next"), tuple((c.sentence, c.next_action) for c in found))]
    if rows:
        columns = heads("what", "reading", "held against", "judgement", "remark")
        tables.append(filled(Table(columns, tuple(rows))))
    return Section("Judgement", says=(f"{counted(judged)}." if judged else NO_JUDGEMENT,), tables=tuple(tables))


def _together(judged: Sequence[Judged]) -> list[list[Judged]]:
    """Channels of one point that were judged alike stand in one line."""
    found: dict[tuple[object, ...], list[Judged]] = {}
    for j in judged:
        found.setdefault((j.point, j.where, j.limit, j.judgement, j.near, j.reason), []).append(j)
    return list(found.values())


def _judged_row(some: Sequence[Judged]) -> tuple[str, ...]:
    j = some[0]
    readings = ", ".join(f"{one.channel} {one.reading}".strip() for one in some)
    limit, _, aside = j.limit.partition("; ")
    return (
        j.where,
        readings,
        limit,
        j.judgement,
        NEAR if j.near else j.reason or ("" if aside == "" else _aside(aside)),
    )


def _aside(text: str) -> str:
    """What a value's uncertainty leaves out is told where the value stands, not here."""
    return "; ".join(part for part in text.split("; ") if not part.startswith(("uncertainty:", "the meter's own")))


def rail(run: Row) -> Section:
    rows = [(words.clean(p["id"]), words.where(p), *_rail(p, r)) for p in powered(run) for r in p.get("rails") or ()]
    if not rows:
        return Section("Rail and current", empty="not measured: no point of this run has a rail")
    columns = heads(
        "point", "drive", "rail", ">V before", ">V last cycle", ">sag %", ">V at supply", ">A", "seen", "remark"
    )
    note = (
        "V before, V last cycle: at the unit's terminals. V at supply, A: the supply's own meter, slower than a burst."
    )
    return Section("Rail and current", tables=(filled(Table(columns, unrepeated(rows, 2), note)),))


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
    soaks = value_table(run, title)
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
        note = f"{words.clean(point['id'])}, soak: {', '.join(told) or 'no K/W could be told'}."
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
    return Section(
        "Trips", tables=(Table(heads("time", "point", "what", "cause", "made safe"), tuple(map(_trip, told))),)
    )


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


def how(run: Row) -> Section:
    rows = _ways(powered(run))
    columns = heads("drives", "limit", ">harmonics", "band", ">record ms", ">kS/s", ">confirming", ">found to dB")
    checks = value_table(run, "How it was measured")
    tables = (Table(columns, tuple(rows)),) if rows else ()
    return Section("How it was measured", tables=(*tables, *checks), terms=TERMS)


def _ways(points: Sequence[Row]) -> list[tuple[str, ...]]:
    """One row for all points measured alike."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for p in points:
        band = " to ".join(map(words.frequency, p.get("band_hz") or ())) or words.NONE
        way = (
            words.limit(p), words.declared(p.get("harmonics")), band,
            words.declared(p.get("record_s"), 1e3), words.declared(p.get("sample_rate_hz"), 1e-3),
            words.declared(p.get("confirm_shots")), words.declared(p.get("resolution_db")),
        )  # fmt: skip
        alike.setdefault(way, []).append(words.where(p))
    return [("; ".join(dict.fromkeys(told)), *way) for way, told in alike.items()]


def instruments(run: Row) -> Section:
    swapped = run.get("dialect_substitutes") or {}
    stood_in = [f"{words.name(role)}: {words.clean(name)} stood in" for role, name in sorted(swapped.items())]
    wired = [f"{words.clean(name)}: {words.clean(seen)}" for name, seen in sorted((run.get("wiring") or {}).items())]
    bay = f", bay {words.clean(run['bay'])}" if run.get("bay") else ""
    terms = (
        ("Bench", words.clean(run["bench"]) + bay),
        ("Inputs", "; ".join(wired) or "not kept in these results"),
        ("Dialects", "; ".join(stood_in) or "the bench's own"),
        ("Bench file", f"sha256 {words.clean(run['bench_sha256'])}"),
        ("Plan file", f"{words.clean(run['plan'])}, sha256 {words.clean(run['plan_sha256'])}"),
        ("nightramp", f"version {words.clean(run['version'])}"),
    )
    seed = run.get("seed")
    return Section("Instruments", terms=terms if seed is None else (*terms, ("Seed", str(seed))))


def uncertainty(run: Row) -> Section:
    points = [p for p in longest(powered(run)) if any(c.get("uncertainty_parts_w") for c in p["channels"])]
    if not points:
        return Section("Uncertainty", empty="not measured: no power of this run has an uncertainty")
    rows = [row for p in points for c in p["channels"] for row in _parts(p, c)]
    table = Table(
        heads("row", "source", ">standard W", ">share %"),
        unrepeated(rows, 1),
        "W accepted of the longest burst into each load. Share: of the variance.",
    )
    return Section("Uncertainty", says=_shared(run), tables=(table,))


def _parts(point: Row, channel: Row) -> Iterator[tuple[str, ...]]:
    parts = channel.get("uncertainty_parts_w") or {}
    whole = sum(w * w for w in parts.values()) or 1.0
    k, u = words.number(channel.get("coverage_factor"), 3), words.accepted(channel)
    row = f"{words.where(point)}, {words.clean(channel['channel'])}: {u} W, k = {k}"
    for source, w in sorted(parts.items(), key=lambda one: (-abs(one[1]), one[0])):
        yield row, source_in_words(source), words.number(abs(w), 2), _share(w * w / whole)


def _share(of_one: float) -> str:
    return "< 0.1" if of_one < 0.0005 else f"{100.0 * of_one:.1f}"


def source_in_words(source: str) -> str:
    kind, _, rest = source.partition(":")
    of, _, last = rest.partition(":")
    of, last = words.clean(of), words.clean(last)
    said = {
        "load": f"ohms of load {of}, channel {last}",
        "probe": f"probe of {of}",
        "range": f"gain of {of} on its {last} V range",
    }
    return said.get(kind, words.name(source))


def _shared(run: Row) -> tuple[str, ...]:
    channels = [c for p in powered(run) for c in p["channels"]]
    coverage = {c.get("coverage_pct", 95.0) for c in channels}
    counts: dict[str, int] = {}
    for channel in channels:
        for source in channel.get("uncertainty_parts_w") or ():
            counts[source] = counts.get(source, 0) + (source != "repeatability")
    shared = [source_in_words(s) for s, n in sorted(counts.items()) if n > 1]
    at = words.listed([f"{c:g} %" for c in sorted(coverage)])
    said = [f"± is the expanded uncertainty at {at}, with the factor k computed for each row."]
    if shared:
        said.append(
            "One physical source each, shared by several rows, so that an error there moves them together: "
            f"{'; '.join(shared)}. Differences between such rows are known better than the rows."
        )
    return tuple(said)


def cautions() -> Section:
    return Section("Cautions", says=CAUTIONS)
