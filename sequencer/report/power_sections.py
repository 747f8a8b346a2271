"""Sections of a sheet about bursts and their power. Pure: rows of results and traces in, sections out."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from typing import Any

from sequencer.report import plots, words
from sequencer.report.blocks import Drawing, Section, Table, filled, heads, unrepeated
from sequencer.report.judged import load_ohms, ratings_of
from sequencer.report.shots import Kept, longest, picture

Row = Mapping[str, Any]

ROWS_A_LADDER = 16
BURSTS_A_DRAWING = 5
SHOTS_SHOWN = 4
NO_POWER = "not measured: no point of this run has a power"
BY_EYE = "W by eye: (half the peak-to-peak)²/2R, as read from a screen; it makes old notes comparable, no more."
SOFT_RAIL = "A power that falls as the burst grows is what a soft rail does: not a fault by itself."


def powered(run: Row) -> list[Row]:
    return [p for p in run["points"] if p["outcome"] == "measured" and p.get("channels")]


def name_in_plot(text: object, at_most: int = 12) -> str:
    """Letters that the drawing's font has; anything else would be an empty box."""
    return words.short("".join(c if c.isprintable() and ord(c) < 0x250 else "?" for c in str(text)), at_most)


def styles(points: Sequence[Row]) -> dict[str, int]:
    """A line style for each channel, the same all over the sheet."""
    return {name: i for i, name in enumerate(sorted({c["channel"] for p in points for c in p["channels"]}))}


def by_load(points: Sequence[Row]) -> dict[str, list[Row]]:
    loads: dict[str, list[Row]] = {}
    for point in points:
        loads.setdefault(words.short(point.get("load") or "no load named", 20), []).append(point)
    return loads


# --- power by load and drive ----------------------------------------------------------------------


def power(run: Row) -> Section:
    title, points = "Power by load and drive", powered(run)
    if not points:
        return Section(title, empty=NO_POWER, tables=_refused(run), front=True)
    drawings = [drawn for load, some in by_load(points).items() for drawn in _ladders(run, load, some, styles(points))]
    supplies = {p.get("supply_nominal_v") for p in points}
    table = Table(
        heads("load", "point", "drive", "W at limit", "W accepted", "W by eye", "ended by"),
        unrepeated([_power_row(point, len(supplies) > 1) for point in points], 1),
        _power_note(points, supplies),
    )
    return Section(title, drawings=tuple(drawings), tables=(filled(table), *_refused(run)), front=True)


def _power_note(points: Sequence[Row], supplies: Set[float | None]) -> str:
    """What holds for many rows is said once."""
    ohms: dict[str, None] = {}
    for p in points:
        ohms |= {f"{words.short(p.get('load') or words.NONE, 20)} {_each([c], _ohm)}": None for c in p["channels"]}
    supply = next(iter(supplies)) if len(supplies) == 1 else None
    at = f"Supply {supply:g} V." if supply else ""
    steady = "steady: of the record at the end of the tone." if any(p.get("steady") for p in points) else ""
    notes = dict.fromkeys(words.sentence(f"{words.where(p)}: {p['burst_note']}") for p in points if p.get("burst_note"))
    return " ".join(filter(None, (at, f"Ohms: {'; '.join(ohms)}.", BY_EYE, steady, *notes)))


def _ohm(channel: Row) -> str:
    return words.number(channel["load_ohm"])


def _power_row(point: Row, with_supply: bool) -> tuple[str, ...]:
    """All channels of a point in one line."""
    channels = point["channels"]
    bridged = " (bridged)" if any(c.get("bridged") for c in channels) else ""
    supply = f", {point['supply_nominal_v']:g} V" if with_supply and point.get("supply_nominal_v") else ""
    return (
        words.short(point.get("load") or words.NONE, 20), words.clean(point["id"]),
        words.drive(point) + supply + bridged, _each(channels, words.at_limit), _each(channels, words.accepted),
        _each(channels, lambda c: words.number(c.get("peak_reading_power_w"))), words.ended_by(point),
    )  # fmt: skip


def _each(channels: Sequence[Row], say: Callable[[Row], str]) -> str:
    """ "A 62.9 ±1.6, B 63.8 ±1.6"; a dash where no channel has it."""
    if all(say(c) == words.NONE for c in channels):
        return words.NONE
    return ", ".join(f"{words.short(c['channel'], 20)} {told}" for c in channels if (told := say(c)))


def _refused(run: Row) -> tuple[Table, ...]:
    rows = [
        (words.clean(p["id"]), words.where(p), words.not_measured(p))
        for p in run["points"]
        if p["outcome"] != "measured"
    ]
    return (Table(heads("point", "what", "why there is no number"), tuple(rows)),) if rows else ()


def _ladders(run: Row, load: str, points: Sequence[Row], style: Mapping[str, int]) -> Iterator[Drawing]:
    """Of one load; a long list of drives takes several drawings."""
    for i in range(0, len(points), ROWS_A_LADDER):
        part = points[i : i + ROWS_A_LADDER]
        rows = [
            _ladder_row(point, channel, style, _alone(point, points)) for point in part for channel in point["channels"]
        ]
        svg = plots.power_ladder(f"power {load} {i}", rows, _rated(run, part))
        yield Drawing(svg, f"{load}: W at limit with its uncertainty; grey tick: W accepted.")


def _alone(point: Row, points: Sequence[Row]) -> str:
    """ "A": its only channel, where other points have several."""
    several = max((len(p["channels"]) for p in points), default=0) > 1
    return name_in_plot(point["channels"][0]["channel"], 6) if several and len(point["channels"]) == 1 else ""


def _ladder_row(point: Row, channel: Row, style: Mapping[str, int], alone: str) -> plots.Power:
    at_limit = channel.get("power_at_limit_w")
    u = channel.get("power_expanded_uncertainty_w" if at_limit is None else "power_at_limit_expanded_uncertainty_w")
    told = f"{words.burst(point)}{_supply_mark(point)}{f', {alone} alone' if alone else ''}"
    name, own = name_in_plot(told, 20), name_in_plot(channel["channel"], 6)
    return plots.Power(name, own, style[channel["channel"]], channel["power_w"], at_limit, u)


def _supply_mark(point: Row) -> str:
    hz = point.get("frequency_hz")
    return f" {words.frequency(hz)}" if hz and hz != 1000.0 else ""


def _rated(run: Row, points: Sequence[Row]) -> list[plots.Rated]:
    """Lines, not judgements: a rating of the load is drawn whatever its other conditions, which its name says."""
    ohm = load_ohms(run).get(points[0].get("load") or "")
    return [
        plots.Rated(f"rated {r['power_w']:g} W, {rated_burst(r)}", r["power_w"])
        for r in ratings_of(ohm, run.get("ratings") or ())
    ]


def rated_burst(rating: Row) -> str:
    return words.cycles_text(rating["cycles"]) if rating["cycles"] else "steady"


# --- distortion and envelope ----------------------------------------------------------------------


def distortion(run: Row) -> Section:
    title = "Distortion by level"
    points = [p for p in powered(run) if len(_curve(p)) > 1]
    if not points:
        return Section(title, empty="not measured: no point of this run kept its shots")
    drawings = []
    for load, some in by_load(points).items():
        some = [p for p in some if p.get("frequency_hz") == some[0].get("frequency_hz")][:BURSTS_A_DRAWING]
        lines = [_curve_line(point, i, _alone(point, points)) for i, point in enumerate(some)]
        limits = {p.get("stop_limit") for p in some}
        limit_pct = limits.pop() if len(limits) == 1 else None
        svg = plots.distortion(f"distortion {load}", lines, _floor(some[-1]), limit_pct)
        drawings.append(Drawing(svg, f"{load}: {', '.join(_judged_as(some))}. Beside it: cycles of each burst."))
    return Section(title, drawings=tuple(drawings))


def _judged_as(points: Sequence[Row]) -> list[str]:
    """ "1 cycle by burst residual, 8 and 20 cycles by THD"."""
    kinds: dict[str, list[str]] = {}
    for point in points:
        kinds.setdefault(words.quantity(point), []).append(words.burst(point))
    return [f"{words.listed(list(dict.fromkeys(names)))} by {kind}" for kind, names in kinds.items()]


def _curve(point: Row) -> list[tuple[float, float, float | None]]:
    """(W of the worse channel, distortion, floor) of each shot, by level."""
    ohms = {c["channel"]: c["load_ohm"] for c in point["channels"]}
    found = []
    for shot in point.get("shot_table") or ():
        volts, pct = shot["output_vrms"], shot.get("distortion_pct")
        worse = shot.get("channel") or max(volts, key=lambda name: volts[name], default="")
        if pct and volts.get(worse) and worse in ohms:
            found.append((volts[worse] ** 2 / ohms[worse], pct, shot.get("floor_pct")))
    return sorted(found, key=lambda one: one[:2])


def _curve_line(point: Row, style: int, alone: str) -> plots.Line:
    curve = _curve(point)
    return plots.Line(
        f"{_compact(point)} {alone}".strip(), style, tuple(c[0] for c in curve), tuple(c[1] for c in curve)
    )


def _compact(point: Row) -> str:
    return "steady" if point.get("steady") else str(point.get("cycles") or "")


def _floor(point: Row) -> plots.Line | None:
    seen = [(w, floor) for w, _, floor in _curve(point) if floor]
    return plots.Line("floor", 0, tuple(w for w, _ in seen), tuple(f for _, f in seen)) if len(seen) > 1 else None


def envelope(run: Row) -> Section:
    title = "Burst envelope"
    bursts = [p for p in powered(run) if not p.get("steady")]
    points = [p for p in bursts if any(c.get("cycle_rows") for c in p["channels"])]
    if not points:
        return Section(title, empty="not measured: no burst of this run kept its cycles")
    style = styles(points)
    drawings = []
    for load, some in by_load(points).items():
        lines = [line for point in some[:BURSTS_A_DRAWING] for line in _cycles(point, style, _alone(point, points))]
        if max((len(line.xs) for line in lines), default=0) < 2:
            continue  # single cycles have no envelope
        drawings.append(
            Drawing(
                plots.over_cycles(f"envelope {load}", lines),
                f"{load}: true rms of each cycle, as W. At a line's end: channel, cycles.",
            )
        )
    return Section(title, says=(SOFT_RAIL,), drawings=tuple(drawings))


def _cycles(point: Row, style: Mapping[str, int], alone: str) -> Iterator[plots.Line]:
    for channel in point["channels"]:
        rows, ohm = channel.get("cycle_rows") or (), channel["load_ohm"]
        if rows:
            xs, ys = (float(r["number"]) for r in rows), (r["rms_v"] ** 2 / ohm for r in rows)
            name = f"{name_in_plot(channel['channel'], 6)} {'alone' if alone else _compact(point)}".strip()
            yield plots.Line(name, style[channel["channel"]], tuple(xs), tuple(ys))


# --- the last clean shot --------------------------------------------------------------------------


def last_clean_shot(run: Row, kept: Mapping[str, Kept]) -> Section:
    """kept: traces by the id of their point."""
    title, points = "The last clean shot", powered(run)
    if not points:
        return Section(title, empty=NO_POWER)
    drawings, missing = [], []
    for point in longest(points)[:SHOTS_SHOWN]:
        drawn = picture(run, point, kept.get(point["id"]))
        if isinstance(drawn, str):
            missing.append(f"{words.clean(point['id'])} is not drawn: {drawn}.")
            continue
        channel, shot = drawn
        behind = "grey: the first shot above it" if shot.above else "no shot above it was kept"
        rail = "below: the rail" if shot.rail else "the rail was not seen"
        whose = f"{words.where(point)}, channel {words.short(channel, 12)}"
        note = f"{whose}. Ink: accepted, its last crests marked; {behind}; {rail}."
        drawings.append(Drawing(plots.last_clean_shot(f"shot {point['id']}", shot), note))
    table = Table(
        heads(
            "point",
            ">level Vrms",
            "output Vrms",
            "crest + V",
            "crest − V",
            "offset V",
            "% (floor)",
            "first to last cycle, % of V",
        ),
        tuple(map(_crest_row, points)),
        "All of one shot: the confirming shot of median power, its last cycle. Offset: the mean of that cycle.",
        wide=True,
    )
    return Section(title, says=tuple(missing), drawings=tuple(drawings), tables=(filled(table),))


def _crest_row(point: Row) -> tuple[str, ...]:
    residual, channels = words.by_residual(point), point["channels"]
    return (
        words.clean(point["id"]), words.number(point.get("level_vrms")),
        _each(channels, lambda c: words.number(c["output_vrms"])),
        _each(channels, lambda c: words.number(c.get("crest_pos_v"))),
        _each(channels, lambda c: words.number(c.get("crest_neg_v"))),
        _each(channels, lambda c: words.number(c.get("offset_v"), 2)),
        _each(channels, lambda c: words.distortion(c, residual)), _each(channels, lambda c: _change(point, c)),
    )  # fmt: skip


def _change(point: Row, channel: Row) -> str:
    """Of a single cycle there is none."""
    change = channel.get("first_to_last_cycle_pct")
    return "" if (point.get("cycles") or 0) < 2 else words.fixed(change, 2)
