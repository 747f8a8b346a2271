"""Results as a plain-text table: a paragraph per unit, then its points, in running order. Pure.

Watts end at the place of their uncertainty's second digit. No colour; no line is wider than 110.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sequencer.measurements.first_answer import answer, is_first_look
from sequencer.report import words
from sequencer.report.attention import Rank, concerns
from sequencer.safety.remedies import remedy_of_trip

WIDTH = 110
GAP = "  "
HEADS = (
    "point",
    "load",
    "drive",
    "level V",
    "ch",
    "W at limit",
    "W accepted",
    "% (floor)",
    "rail V",
    "shots",
)
NUMBERS = (3, 5, 6, 8, 9)  # columns set flush right
LEADING = 3  # cells that every line has
LAST = "stopped by"
VALUES_AT_MOST = 40  # of a run; with more, those of a point stand in one line
WIDEST_CELL = 20
WORDS = {"thd": "% THD", "thd_n": "% THD+N", "burst_residual": "% residual"}
EXPLAINED = {
    "residual": "residual: of a burst of few cycles, what is left of the last one once the "
    "same burst at a harmless level, scaled, is taken away.",
    "W at": "W at limit: interpolated to the stop limit of the channel that ended the ramp. W accepted: at the "
    "accepted level, within it. Both: true rms of the last cycle over the measured load; ± expanded uncertainty, 95 %.",
    "steady": "steady: of the record at the end of the tone.",
    "b": "b: bridged; load and watts are of the bridged load.",
    "m": "m: the rail moved by more than 3 % during the burst.",
    "-": "rail -: not seen at the unit.",
}

Row = Mapping[str, Any]


def points_table(results: Row) -> str:
    """Of results, format 1, as `read_results` or the ledger gives them: every run, one after another."""
    parts = [_wrapped(f"Suspect: {results['suspect']}")] if results.get("suspect") else []
    runs = results["runs"]
    short = len(runs) > 1 and any(_many(run["points"]) for run in runs)
    parts += [_run(run, short) for run in runs]
    parts += [_legend([p for run in runs for p in run["points"]])] if short else []
    if looked := list(_answers(runs)):
        parts.append("\n".join(looked))
    return "\n\n".join(parts) + "\n" if parts else "no runs\n"


def _run(run: Row, short: bool) -> str:
    """short: of a night of several units only what needs a person first, and the powers."""
    if short:
        lines = [*_header(run), *_first_concern(run), *_table(_shown(run["points"])), *_on_paper(run["points"])]
    else:
        lines = [*_header(run), *_table(run["points"]), *_legend_lines(run["points"])]
    lines += [_wrapped(_trip(trip)) for trip in run.get("trips") or ()]
    lines += [_wrapped(_finding(finding)) for finding in run.get("findings") or ()]
    return "\n".join(lines)


def _trip(trip: Row) -> str:
    next_line = remedy_of_trip(trip)
    return f"trip, {trip['time']}: {trip['sentence']}" + (f"; next: {next_line[1]}" if next_line else "")


def _answers(runs: Sequence[Row]) -> Iterator[str]:
    """What each first look comes to: the last thing said of it."""
    for run in runs:
        if is_first_look(run):
            yield _wrapped(words.sentence(f"Unit {run['unit']['serial']}: {answer(run)}"))


def _many(points: Sequence[Row]) -> bool:
    return sum(len(point["values"]) for point in points) > VALUES_AT_MOST


def _first_concern(run: Row) -> Iterator[str]:
    first = concerns(run)[0]
    told_below = (Rank.FOUND, Rank.TRIP, Rank.NOT_SAFE, Rank.NOT_MEASURED)
    if first.rank not in told_below:
        yield _wrapped(f"{first.sentence} Next: {first.next_action}" if first.rank < Rank.NOTHING else first.sentence)


def _header(run: Row) -> Iterator[str]:
    unit, label = run["unit"], run.get("label")
    bay = f", bay {run['bay']}" if run.get("bay") else ""
    yield _wrapped(f"Unit {unit['serial']}, {unit['model']}{f', {label}' if label else ''}")
    yield _wrapped(f"plan {run['plan']}, bench {run['bench']}{bay}, run {run['id']}")
    measured = sum(point["outcome"] == "measured" for point in run["points"])
    ended = f", ended {run['ended']}" if run.get("ended") else ""
    count = f"{measured} of {len(run['points'])} points measured"
    yield _wrapped(f"begun {run['begun']}{ended}; {run['outcome']}; {count}")
    supplies = sorted({v for point in run["points"] if (v := point.get("supply_nominal_v")) is not None})
    if len(supplies) == 1:
        yield f"supply {supplies[0]:g} V"


def _finding(finding: Row) -> str:
    where = [finding.get("point"), finding.get("channel") and f"channel {finding['channel']}"]
    todo = f"; next: {finding['next_action']}" if finding.get("next_action") else ""
    return f"found: {' '.join([*filter(None, where), finding['sentence']])}{todo}"


# --- the table ------------------------------------------------------------------------------------


def _table(points: Sequence[Row]) -> list[str]:
    if not points:
        return []
    supplies = {v for point in points if (v := point.get("supply_nominal_v")) is not None}
    brief = _many(points)
    rows = [row for point in points for row in _rows(point, len(supplies) > 1, brief)]
    any_power = any(len(cells) == len(HEADS) for cells, _ in rows)
    heads = HEADS if any_power else HEADS[:LEADING]
    every = [heads, *(cells for cells, _ in rows)]
    widths = [max(len(cells[i]) for cells in every if i < len(cells)) for i in range(len(heads))]
    lines = [_joined(heads, LAST if any_power else "", widths)]
    lines += [_joined(cells, last, widths) for cells, last in rows]
    return ["", *lines]


def _shown(points: Sequence[Row]) -> list[Row]:
    """Rows with a power, and each reason for none once: eleven rows of the same words hide the other ones."""
    told: dict[str, int] = {}
    for point in points:
        if point["outcome"] != "measured":
            told[str(point.get("reason"))] = told.get(str(point.get("reason")), 0) + 1
    shown: list[Row] = []
    for point in points:
        count = told.get(str(point.get("reason")), 0) if point["outcome"] != "measured" else 0
        if count:
            alike = f"{point.get('reason')}; so are {count - 1} more" if count > 1 else point.get("reason")
            shown.append({**point, "reason": alike})
            told[str(point.get("reason"))] = 0
        elif point["outcome"] == "measured" and point["channels"]:
            shown.append(point)
    return shown


def _on_paper(points: Sequence[Row]) -> Iterator[str]:
    values = [value for point in points for value in point["values"]]
    judged = [value for value in values if value.get("judgement") in ("within", "outside")]
    within = sum(value["judgement"] == "within" for value in judged)
    yield _wrapped(f"{len(values)} single values, on the sheet; {words.of(within, len(judged), 'judged are within')}.")


def _rows(point: Row, several_supplies: bool, brief: bool) -> list[tuple[tuple[str, ...], str]]:
    """Cells and the last, free text. Points without a power have only the leading cells, then their text."""
    lead = (_cell(point["id"]), _cell(point.get("load") or ""), _drive(point, several_supplies))
    if point["outcome"] != "measured":
        return [(lead, words.not_measured(point))]
    rows = []
    for index, channel in enumerate(point["channels"]):
        first = index == 0
        own = (*lead, words.number(point.get("level_vrms"))) if first else ("",) * 4
        end = (_rail(point), str(point["shots"])) if first else ("", "")
        rows.append(((*own, *_channel(channel, words.by_residual(point)), *end), _stopped(point) if first else ""))
    if brief and len(point["values"]) > 1:
        return [*rows, (lead, _counted(point["values"]))]
    return rows + [(lead, _value(value, lead[2])) for value in point["values"]]


def _counted(values: Sequence[Row]) -> str:
    """Many values in a line: those judged outside by name, the rest by number."""
    judged = [value for value in values if value.get("judgement") in ("within", "outside")]
    within = sum(value["judgement"] == "within" for value in judged)
    outside = [_value(value, "") for value in judged if value["judgement"] == "outside"]
    counted = f"{len(values)} values, on the sheet" + (f"; {within} of {len(judged)} within" if judged else "")
    return "; ".join([counted, *outside])


def _channel(channel: Row, by_residual: bool) -> tuple[str, ...]:
    name = _cell(channel["channel"] + (" b" if channel.get("bridged") else ""))
    return (name, words.at_limit(channel), words.accepted(channel), words.distortion(channel, by_residual))


def _rail(point: Row) -> str:
    seen = next((rail for rail in point["rails"] if rail.get("at_unit_v") is not None), None)
    if seen is None:
        return "-"
    return words.number(seen["at_unit_v"]) + (" m" if _moved(point) else "")


def _moved(point: Row) -> bool:
    return point.get("rail_note") == "rail moved"


def _stopped(point: Row) -> str:
    by, limit = point.get("stopped_by"), point.get("stop_limit")
    quantity = "burst_residual" if words.by_residual(point) else point.get("stop_quantity", "thd")
    asked = f"{limit:g} {WORDS.get(quantity, WORDS['thd'])}" if limit is not None else ""
    if by is None:
        return asked
    where = f", {point['stopped_by_channel']}" if point.get("stopped_by_channel") else ""
    if by in WORDS:
        return (asked or words.name(by)) + where
    return words.name(by) + where + (f" (limit {asked})" if asked else "")


def _value(value: Row, told: str) -> str:
    """told: what the line says already, and this need not repeat."""
    name = words.name(value["name"]) if words.name(value["name"]) != told else ""
    name = ", ".join(filter(None, (name, value.get("channel"))))
    shown = words.unseen(value)
    if value["value"] is not None:
        shown = words.measured(value["value"], value.get("expanded_uncertainty"))
    unit = f" {value['unit']}" if value.get("unit") and value["value"] is not None else ""
    said = "; ".join(filter(None, (value.get("judgement"), value.get("reason"))))
    return f"{f'{name}: ' if name else ''}{shown}{unit}{f', {said}' if said else ''}"


# --- cells ----------------------------------------------------------------------------------------


def _drive(point: Row, with_supply: bool) -> str:
    volts = point.get("supply_nominal_v") if with_supply else None
    return words.drive(point) + (f" {volts:g} V" if volts else "")


def _cell(text: str) -> str:
    return words.short(text, WIDEST_CELL)


def _joined(cells: Sequence[str], last: str, widths: Sequence[int]) -> str:
    """The cells in their columns, then the last text, on lines of its own where it would not fit."""
    sides = [str.rjust if i in NUMBERS else str.ljust for i in range(len(cells))]
    padded = [side(cell, width) for side, cell, width in zip(sides, cells, widths, strict=False)]
    line = GAP.join([*padded, ""])
    if len(line) + len(last) <= WIDTH:
        return (line + words.clean(last)).rstrip()
    indent = " " * 8
    own_lines = textwrap.wrap(words.clean(last), WIDTH, initial_indent=indent, subsequent_indent=indent)
    return "\n".join([line.rstrip()[:WIDTH], *own_lines])


def _wrapped(text: str) -> str:
    return textwrap.fill(words.clean(text), WIDTH, subsequent_indent="    ")


def _legend(points: Sequence[Row]) -> str:
    return "\n".join(_legend_lines(points))


def _legend_lines(points: Sequence[Row]) -> list[str]:
    measured = [p for p in points if p["outcome"] == "measured" and p["channels"]]
    says = {
        "W at": bool(measured),
        "residual": any(words.by_residual(p) for p in measured),
        "steady": any(p.get("steady") for p in measured),
        "b": any(c.get("bridged") for p in measured for c in p["channels"]),
        "m": any(_moved(p) for p in measured),
        "-": any(_rail(p) == "-" for p in measured),
    }
    return [_wrapped(EXPLAINED[key]) for key, wanted in says.items() if wanted]
