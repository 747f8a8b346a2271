"""Sections of a sheet about single values: each where a technician looks for it, as few lines as it takes. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

from sequencer.report import plots, quiet_sections, response_sections, words
from sequencer.report.blocks import Drawing, Section, Table, filled, heads, unrepeated
from sequencer.report.power_sections import name_in_plot

Row = Mapping[str, Any]

# Section -> what a measurement's name or a value's own name holds that belongs there; checked in this order.
BY_MEASUREMENT = {"Temperature over the night": ("soak", "precondition"), "Protection": ("protection",)}
BY_MEASUREMENT |= {"How it was measured": ("range_transfer",)}
BY_MEASUREMENT |= {"Endurance": ("endurance",)}
# Told by sections of their own (distortion_sections), not by a table of values.
BY_MEASUREMENT |= {"Distortion": ("thd_by_level", "thd_by_frequency", "dynamic_headroom", "intermodulation")}
BY_NAME = {
    "Noise": ("noise", "hum"),
    "How it was measured": ("first_power", "bench_check", "terminal_scan", "load_check"),
    "Coming on": ("turn_on",),
    "Stability": ("stability",),
    "Response": ("response", "gain", "channel_balance", "crosstalk", "output_impedance", "power_bandwidth"),
    "Efficiency": ("efficiency",),
    "Idle current and offset": ("idle", "offset", "bias"),
}
OWN_SECTIONS = (
    "Response", "Noise", "Stability", "Coming on", "Idle current and offset", "Efficiency", "Endurance", "Protection",
)  # fmt: skip
FURTHER = "Further values"
STATES = ("cold", "warm", "after drive", "cooled")
OF_STATES = {"idle_current": "A", "output_offset": "V"}
SMALL_V = 0.01  # below it volts are told in mV
ENOUGH_FOR_A_TABLE = 3  # values of one point
REMARK_AT_MOST = 44  # a longer one stands below its table, once
LETTERS = "abcdefghijklmnopqrstuvwxyz"
RANGE = re.compile(r"^range of \S+?, ")


def values(run: Row) -> Iterator[Section]:
    """In the sheet's order; one without a value is left out, and what fits nowhere comes last."""
    makers = {
        "Response": _response,
        "Noise": _noise,
        "Stability": _stability,
        "Coming on": _coming_on,
        "Idle current and offset": _idle_and_offset,
        "Efficiency": _efficiency,
        "Endurance": _endurance,
        "Protection": _protection,
    }
    for title in (*OWN_SECTIONS, FURTHER):
        section = makers[title](run, title) if title in makers else _plain(run, title)
        if section.tables:
            yield section


def table(run: Row, title: str) -> tuple[Table, ...]:
    """The values of one section as a compact table, or nothing: for sections that hold other things too."""
    return _compact([(p, v) for p in run["points"] for v in p.get("values") or () if _place(p, v) == title])


def _place(point: Row, value: Row) -> str:
    measurement, name = str(point["measurement"]), str(value["name"]).lower()
    for title, marks in BY_MEASUREMENT.items():
        if measurement in marks:
            return title
    told = f"{measurement} {name}"
    return next((title for title, marks in BY_NAME.items() if any(_begins(mark, told) for mark in marks)), FURTHER)


def _begins(mark: str, told: str) -> bool:
    """A thump is no hum: a mark begins a word."""
    return re.search(rf"(?<![a-z]){mark}", told) is not None


def _noise(run: Row, title: str) -> Section:
    return Section(title, drawings=tuple(quiet_sections.noise_drawings(run)), tables=table(run, title))


def _stability(run: Row, title: str) -> Section:
    return Section(title, drawings=tuple(quiet_sections.rest_drawings(run)), tables=table(run, title))


def _coming_on(run: Row, title: str) -> Section:
    return Section(title, drawings=tuple(quiet_sections.thump_drawings(run)), tables=table(run, title))


def _response(run: Row, title: str) -> Section:
    told = (*table(run, title), *response_sections.tables(run))
    return Section(title, drawings=tuple(response_sections.drawings(run)), tables=told)


def _endurance(run: Row, title: str) -> Section:
    return Section(title, tables=(*table(run, title), *quiet_sections.cycles(run)))


def _plain(run: Row, title: str) -> Section:
    return Section(title, tables=table(run, title))


# --- a compact table ------------------------------------------------------------------------------


def _compact(found: Sequence[tuple[Row, Row]]) -> tuple[Table, ...]:
    """A line for all channels of one value of one point; long remarks below the table, each once. Points with many
    values have a table each."""
    by_point: dict[str, list[Row]] = {}
    for point, value in found:
        by_point.setdefault(_where(point), []).append(value)
    lines = {where: _lines(some) for where, some in by_point.items()}
    if max(map(len, lines.values()), default=0) < ENOUGH_FOR_A_TABLE:
        return (_one_table(lines),) if lines else ()
    return tuple(map(_captioned, (_one_table({where: some}) for where, some in lines.items())))


def _captioned(one: Table) -> Table:
    """Of one place: it stands above the table instead of in a column."""
    return replace(one, caption=one.rows[0][0], heads=one.heads[1:], rows=tuple(row[1:] for row in one.rows))


def _lines(values: Sequence[Row]) -> dict[tuple[str, str], list[Row]]:
    """Of one point: (what, unit) -> its channels' values."""
    together: dict[tuple[str, str], list[Row]] = {}
    for value in values:
        key = (RANGE.sub("input range, ", words.name(value["name"])), value.get("unit") or "")
        together.setdefault(key, []).append(value)
    return together


def _one_table(lines: Mapping[str, Mapping[tuple[str, str], Sequence[Row]]]) -> Table:
    """lines: by where."""
    notes: list[str] = []
    rows = [
        (where, what, _reading(some, unit), _judged(some), _remark(some, notes))
        for where, of_point in lines.items()
        for (what, unit), some in of_point.items()
    ]
    below = "  ".join(f"({LETTERS[i % len(LETTERS)]}) {words.sentence(note)}" for i, note in enumerate(notes))
    return filled(Table(heads("where", "what", "reading", "judgement", "remark"), unrepeated(rows, 1), below))


def _reading(some: Sequence[Row], unit: str) -> str:
    """ "A 25.95 ±0.10, B 25.91 ±0.10 dB"."""
    if unit == "Vrms" and all(_small(v) for v in some):
        unit, some = "mVrms", [_in_milli(v) for v in some]
    told = ", ".join(f"{words.short(v.get('channel') or '', 12)} {reading(v)}".strip() for v in some)
    if all(v.get("value") is None for v in some):
        return told
    return f"{told} {words.clean(unit)}".strip()


def _small(value: Row) -> bool:
    return bool(abs(value.get("value") or 0.0) < SMALL_V)


def _in_milli(value: Row) -> Row:
    keys = ("value", "expanded_uncertainty")
    return {**value, **{key: 1e3 * value[key] for key in keys if value.get(key) is not None}}


def _where(point: Row) -> str:
    load = point.get("load")
    told = words.name(point["measurement"]) + (f", {words.short(load, 20)}" if load else "")
    return f"{told} ({words.clean(point['id'])})"


def _judged(some: Sequence[Row]) -> str:
    """One word where all channels agree; values that nobody judges say nothing."""
    if len({value.get("judgement") for value in some}) == 1:
        return words.clean(some[0].get("judgement") or "")
    return ", ".join(
        dict.fromkeys(
            f"{words.clean(v.get('channel') or '')} {v.get('judgement') or 'not judged'}".strip() for v in some
        )
    )


def _remark(some: Sequence[Row], notes: list[str]) -> str:
    said = "; ".join(dict.fromkeys(words.clean(v["reason"]) for v in some if v.get("reason")))
    if len(said) <= REMARK_AT_MOST:
        return said
    if said not in notes:
        notes.append(said)
    return f"({LETTERS[notes.index(said) % len(LETTERS)]})"


def reading(value: Row) -> str:
    seen = value.get("value")
    return words.unseen(value) if seen is None else words.measured(seen, value.get("expanded_uncertainty"))


# --- idle current and offset ----------------------------------------------------------------------


def _idle_and_offset(run: Row, title: str) -> Section:
    """Four states of heat, one line each; then what else was seen of them."""
    states: dict[str, dict[tuple[str, str], Row]] = {}
    rest: list[tuple[Row, Row]] = []
    for point in run["points"]:
        for value in point.get("values") or ():
            unit = OF_STATES.get(point["measurement"])
            if _place(point, value) != title:
                continue
            slot = (str(unit), value.get("channel") or "")
            held = states.setdefault(_state(value), {}) if unit == value.get("unit") else None
            if held is None or slot in held:
                rest.append((point, value))
            else:
                held[slot] = value
    tables = (_state_table({state: held for state, held in states.items() if held}), *_compact(rest))
    return Section(title, drawings=tuple(_state_drawings(states)), tables=tuple(t for t in tables if t.rows))


def _state(value: Row) -> str:
    """ "cold" of "idle current, cold"."""
    return words.clean(str(value["name"]).partition(", ")[2]) or words.NONE


def _ordered(states: Mapping[str, Any]) -> list[str]:
    return sorted(states, key=lambda state: STATES.index(state) if state in STATES else len(STATES))


def _slots(states: Mapping[str, Mapping[tuple[str, str], Row]]) -> list[tuple[str, str]]:
    return sorted({slot for held in states.values() for slot in held})


def _state_table(states: Mapping[str, Mapping[tuple[str, str], Row]]) -> Table:
    slots = _slots(states)
    columns = [f">{'idle' if unit == 'A' else 'offset'} {unit}{f', {of}' if of else ''}" for unit, of in slots]
    bounds = list(dict.fromkeys(b for s in _ordered(states) for b in map(_bound, states[s].values()) if b))
    once = len(bounds) <= len({unit for unit, _ in slots})
    rows = [
        (
            state,
            *(reading(states[state][slot]) if slot in states[state] else "" for slot in slots),
            _judged_state(states[state], "A"),
            _judged_state(states[state], "V"),
            "" if once else words.listed(list(dict.fromkeys(filter(None, map(_bound, states[state].values()))))),
        )
        for state in _ordered(states)
    ]
    note = f"Held against: {words.listed(bounds)}. " if once and bounds else ""
    note += "After drive: minutes after the last burst. ± of idle current: of repeat readings."
    return filled(Table(heads("state", *columns, "idle", "offset", "held against"), tuple(rows), note))


def _judged_state(held: Mapping[tuple[str, str], Row], unit: str) -> str:
    some = [value for (of, _), value in held.items() if of == unit]
    return _judged(some) if some else ""


def _bound(value: Row) -> str:
    """The first clause of its reason: "0.8 to 1.45 A"."""
    return words.clean(str(value.get("reason") or "").partition(";")[0]) if value.get("judgement") else ""


def _state_drawings(states: Mapping[str, Mapping[tuple[str, str], Row]]) -> Iterator[Drawing]:
    order = [state for state in _ordered(states) if state in STATES]
    if len(order) < 2:
        return
    for unit, what in (("A", "Idle current, A"), ("V", "Offset, V")):
        lines = [
            _state_line(states, order, slot, i) for i, slot in enumerate(s for s in _slots(states) if s[0] == unit)
        ]
        lines = [line for line in lines if len(line.xs) > 1]
        if lines:
            yield Drawing(
                plots.over_states(f"states {unit}", lines, order, unit), f"{what}, in the four states of heat."
            )


def _state_line(
    states: Mapping[str, Mapping[tuple[str, str], Row]], order: Sequence[str], slot: tuple[str, str], style: int
) -> plots.Line:
    seen = [(float(i), states[s][slot]["value"]) for i, s in enumerate(order) if slot in states[s]]
    seen = [(x, y) for x, y in seen if y is not None]
    return plots.Line(name_in_plot(slot[1], 6), style, tuple(x for x, _ in seen), tuple(y for _, y in seen))


# --- efficiency and protection --------------------------------------------------------------------


def _efficiency(run: Row, title: str) -> Section:
    """Parts of full power with all that the figure was made from; then the steady rows' own."""
    rows = [_part(point, one) for point in run["points"] for one in point.get("efficiency_points") or ()]
    note = "Output over what the supply gave, at the unit; idle current is counted in, not taken off."
    columns = heads("load", "part of power", ">W out", ">V at supply", ">V at unit", ">A", ">%", ">W of heat")
    told = [
        (words.where(p), words.number(p["efficiency_pct"], 3))
        for p in run["points"]
        if p.get("efficiency_pct") is not None
    ]
    other = [
        (p, v)
        for p in run["points"]
        for v in p.get("values") or ()
        if _place(p, v) == title and not (p.get("efficiency_points") and v.get("unit") == "%")
    ]
    tables = [Table(columns, tuple(rows), note)] if rows else []
    tables += [Table(heads("at the accepted level of", ">%"), tuple(told))] if told else []
    return Section(title, tables=(*tables, *_compact(other)))


def _part(point: Row, one: Row) -> tuple[str, ...]:
    watts = ", ".join(f"{words.short(name, 6)} {words.number(w)}" for name, w in sorted(one["power_w"].items()))
    whole = one["part"]
    share = "full" if whole == 1.0 else f"{100.0 * whole:.3g} %"
    return (
        words.short(point.get("load") or words.NONE, 20), share, watts, words.number(one.get("supply_v")),
        words.number(one.get("at_unit_v")), words.number(one.get("supply_a")),
        words.measured(one["efficiency_pct"], one.get("expanded_uncertainty_pct")), words.number(one.get("heat_w")),
    )  # fmt: skip


def _protection(run: Row, title: str) -> Section:
    points = [p for p in run["points"] if p["measurement"] == "protection" and p.get("values")]
    said = [
        f"{_where(p)}: " + ("the remote contact had to be opened and closed." if p["needed_remote"] else "by itself.")
        for p in points
        if p.get("needed_remote") is not None
    ]
    return Section(title, says=tuple(f"Came back, {one}" for one in said), tables=table(run, title))
