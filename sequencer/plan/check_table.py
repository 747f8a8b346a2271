"""The text of `check`: every point in running order its cost, totals, defaults, refusals. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sequencer.errors import Problem
from sequencer.plan.clip import OHM_WITHIN
from sequencer.plan.estimate import DUTY, SHOT_OVERHEAD_S, STEADY_REST, Estimate
from sequencer.plan.expand import CONFIRM_STEADY, POWER, confirms, resolution_db
from sequencer.plan.hand_order import changes
from sequencer.plan.heat_law import CONVERTER_EFFICIENCY
from sequencer.plan.models import Bench, Plan, Stage, Unit
from sequencer.plan.points import AnyPoint, Point, hertz
from sequencer.plan.promises import not_promised

__all__ = ["Checked", "check_json", "check_table", "table_lines"]

AFTER_TRIP = {"next unit": "next unit", "stop": "the night ends", "cool and retry once": "cool, the point once more"}
NO_RATE = ("idle_current", "idle_adjustment", "soak")  # no record, or one that only shows that the tone is there
VALUE_RULES = {
    "output_offset": "mean of 0.2 s; outside above 50 mV; above 100 mV the unit is not driven",
    "idle_current": "10 meter windows; above 1.5 x the window the unit is not driven; trip at + 20 % in 60 s",
    "idle_adjustment": "a person turns the control, the reading is told; above 1.5 x the window it is made safe",
    "gain": "at 0.1 V by the file's gain; told above 0.5 dB between channels, above 3 dB re 1 kHz",
    "first_power": "standby under 2 A, then on under 6 A at most; who draws the limit is off for the night",
    "bench_check": "at 50 mV: gain, polarity, probes, ranges, clock, hum, noise, loads, lead of the supply",
    "terminal_scan": "at 50 mV: a person moves a probe over the output terminals; which is live is found and drawn",
    "range_transfer": "steady tones without a load, at most 0.7 of the clip volts; told beyond what is declared",
    "steady_efficiency": "tones at parts of the power found before at this load and frequency",
    "soak": "told: K/W above 1.3 x the unit's, sides 8 K apart, a thermometer that does not follow",
    "thd_by_level": "bursts from 30 dB below the limit found before up to it; K 20, 20 Hz to 20 kHz",
    "thd_by_frequency": "bursts at stated powers; K 20 cut to 20 kHz, said where no harmonic is left",
    "dynamic_headroom": "20 ms of 1 kHz twice a second, 20 dB down between, over the rated power",
    "intermodulation": "two tones at once, their crest that of a sine at a part of the power found before",
    "stability": "above 20 kHz at rest, and crests of two bursts; with capacitors where a person connects them",
    "frequency_response": "small power, level lowered where it rises; told beyond 3 dB in the pass-band, 1 dB unlike",
    "channel_balance": "small power; at most 0.5 dB between channels",
    "crosstalk": "small power into one channel; told above -40 dB; needs a contact for each input",
    "output_impedance": "small power into two loads, 4 times in turn on one range",
    "power_bandwidth": "bursts at half the rated power; THD within 80 kHz, or what the stage says",
    "noise": "records of 0.2 s with the unit on, then switched off: what the digitiser shows of itself is taken away",
    "turn_on": "switched off and on: harmless tones at 50 mV until every output follows",
    "load_check": "volts over amps at 1/8 power and 20 dB below it, channel by channel; told above 1 % off",
    "precondition": "1/8 of the rated power at 1 kHz in counted bursts; ends at heat.stop_c",
    "endurance": "counted bursts at a small power and at 1/8, off and cooled between: drop-outs, offset, gain at 10 mV",
    "protection": "bursts that rise until an output goes away; told where it cuts in below the rated power",
}
WORDS = {"thd": "THD", "thd_n": "THD+N"}
HEADS = (
    "point",
    "load",
    "drive",
    "limit",
    "shots",
    "time",
    "loads J",
    "unit J",
    "amps",
    "W each",
    "V in",
    "rate",
)
WIDTHS = (-6, -6, -17, -12, 5, 7, 7, 6, 5, 6, 5, 8)  # negative: set from the left


@dataclass(frozen=True)
class Checked:
    """One plan worked through for one unit on one bench. points and estimates belong together, one by one."""

    plan: Plan
    unit: Unit
    bench: Bench
    points: tuple[AnyPoint, ...]
    estimates: tuple[Estimate, ...]
    refused: tuple[Problem, ...] = ()


def check_table(checked: Checked) -> list[str]:
    """All lines: head, one per point, totals, what holds by default, what is refused."""
    unit, bench = checked.unit, checked.bench
    return [
        f"plan {checked.plan.name}, unit {unit.serial} ({unit.model}), bench {bench.name}",
        *table_lines(checked.points, checked.estimates),
        *_totals(checked.estimates),
        *_by_a_person(checked),
        "",
        *_defaults(checked),
        *promise_lines(bench, unit),
        *_refused(checked),
    ]


def promise_lines(bench: Bench, unit: Unit | None = None) -> list[str]:
    """What a bench on which a person works supply or loads can't promise; nothing for any other."""
    left = not_promised(bench, unit)
    return ["not promised on this bench:", *(f"  {one}" for one in left)] if left else []


def table_lines(points: Sequence[AnyPoint], estimates: Sequence[Estimate]) -> list[str]:
    """The head and one line per point, at most 110 characters wide."""
    lines = [_cells(point, cost) for point, cost in zip(points, estimates, strict=True)]
    return [_row(cells) for cells in (HEADS, *lines)]


def check_json(checked: Checked) -> dict[str, Any]:
    """The same for programs: no text to be taken apart."""
    return {
        "plan": checked.plan.name,
        "unit": checked.unit.serial,
        "bench": checked.bench.name,
        "points": [
            asdict(point) | {"estimate": asdict(cost)}
            for point, cost in zip(checked.points, checked.estimates, strict=True)
        ],
        "totals": _sums(checked.estimates),
        "refused": [asdict(problem) for problem in checked.refused],
    } | ({"not_promised": list(left)} if (left := not_promised(checked.bench, checked.unit)) else {})


def _cells(point: AnyPoint, cost: Estimate) -> tuple[str, ...]:
    return (
        point.id,
        point.load,
        *_what(point),
        str(cost.shots),
        _clock(cost.time_s),
        _short(cost.energy_load_j),
        _short(cost.energy_unit_j),
        _short(cost.supply_a),
        _short(cost.power_w),
        _short(cost.level_vrms),
        _rate(point, cost),
    )


def _what(point: AnyPoint) -> tuple[str, str]:
    """The columns drive and limit."""
    if isinstance(point, Point):
        return f"{point.drive} {hertz(point.frequency_hz)}", f"{WORDS[point.quantity]} {point.limit_pct:g} %"
    count = len(point.frequencies_hz)
    remark = {"idle_current": point.wait, "gain": f"{count} tone{'' if count == 1 else 's'}"}
    return point.measurement.replace("_", " "), remark.get(point.measurement, "")


def _rate(point: AnyPoint, cost: Estimate) -> str:
    if cost.window is not None:
        return _short(cost.window.sample_rate_hz)
    return "" if point.measurement in NO_RATE else "none fits"


def _row(cells: Sequence[str]) -> str:
    return " ".join(_set(text, width) for text, width in zip(cells, WIDTHS, strict=True)).rstrip()


def _set(text: str, width: int) -> str:
    return _cut(text, -width).ljust(-width) if width < 0 else text.rjust(width)


def _totals(estimates: Sequence[Estimate]) -> Iterator[str]:
    sums = {name: _short(value) for name, value in _sums(estimates).items()}
    minutes = _clock(sum(e.time_s for e in estimates))
    yield (
        f"together at most {sums['shots']} shots, {minutes}, {sums['energy_load_j']} J into the loads, "
        f"{sums['energy_unit_j']} J of heat in the unit"
    )
    yield f"and {sums['idle_j']} J of idle heat; supply current up to {sums['supply_a_max']} A"


def _by_a_person(checked: Checked) -> Iterator[str]:
    """Whose time is not in the totals."""
    if any(load.by_hand for load in checked.bench.load.values()):
        count = changes(checked.points)
        yield f"and what a person takes for changing loads {count} time{'' if count == 1 else 's'}, with the unit off"


def _sums(estimates: Sequence[Estimate]) -> dict[str, float]:
    return {
        "shots": sum(e.shots for e in estimates),
        "time_s": sum(e.time_s for e in estimates),
        "energy_load_j": sum(e.energy_load_j for e in estimates),
        "energy_unit_j": sum(e.energy_unit_j for e in estimates),
        "idle_j": sum(e.idle_j for e in estimates),
        "supply_a_max": max((e.supply_a for e in estimates), default=0.0),
    }


def _defaults(checked: Checked) -> Iterator[str]:
    plan, unit, bench = checked.plan, checked.unit, checked.bench
    yield "what holds (from the files, else by default):"
    for stage in plan.stage:
        yield from _stage_lines(stage, bench)
    duty = DUTY[plan.rest]
    yield f"  rest after a burst: longest of 1 s, {duty:g} bursts, 5 coupling time constants ({plan.rest})"
    if any(isinstance(point, Point) and point.steady for point in checked.points):
        yield f"  rest after a steady tone: {STEADY_REST:g} tones; confirms {CONFIRM_STEADY}, at the lowest load 1"
    yield f"  at most {plan.budget.shots_per_point} search shots a point; links: {SHOT_OVERHEAD_S:g} s a shot"
    yield f"  heat sink: ramp ends at {unit.heat.stop_c:g} degC, trip at {unit.heat.trip_c:g} degC"
    yield f"  offset within {unit.output_offset.within_v:g} V; idle current {_window(unit)}"
    yield f"  start after {unit.mute_s:g} s of mute; rail down within {unit.bleed_s:g} s after off"
    yield "  bounds: 4 of 5 search shots at the limit; heat by the class B law, with idle; " + (
        f"converter {100 * CONVERTER_EFFICIENCY:g} % efficient" if unit.front_end == "converter" else "no converter"
    )
    yield f"  ratings speak for loads within {100 * OHM_WITHIN:g} %; digitiser {bench.digitiser.bits} bit"


def _stage_lines(stage: Stage, bench: Bench) -> Iterator[str]:
    if stage.measurement != POWER:
        yield f"  {_cut(stage.name, 30)}: {VALUE_RULES[stage.measurement]}"
        return
    stop = stage.stop_limit
    yield (
        f"  {_cut(stage.name, 30)}: {confirms(stage, bench)} confirms, resolution "
        f"{resolution_db(stage, bench):g} dB, harmonics to {stop.harmonics} within {stop.band_hz[0]:g} to "
        f"{stop.band_hz[1]:g} Hz"
    )
    yield (
        f"    cycles up to {stop.any_cycle_factor:g} x the limit, rail sag up to {stop.rail_sag_pct:g} %, "
        f"{stage.keep_traces} traces a point, after a trip: {AFTER_TRIP[stage.after_trip]}"
    )


def _window(unit: Unit) -> str:
    window = unit.idle_current.window_a
    return "recorded, not judged" if window is None else f"{window[0]:g} to {window[1]:g} A"


def _refused(checked: Checked) -> Iterator[str]:
    if not checked.refused:
        yield "nothing is refused"
        return
    yield ""
    yield f"refused, {len(checked.refused)} reason(s):"
    yield from (f"  {problem}" for problem in checked.refused)


def _clock(seconds: float) -> str:
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    return f"{hours}:{rest // 60:02d}:{rest % 60:02d}" if hours else f"{rest // 60}:{rest % 60:02d}"


def _short(value: float) -> str:
    """Three digits, without an exponent where people would not write one."""
    if value >= 1000.0:
        return f"{value:.0f}"
    return f"{value:.3g}"


def _cut(text: str, width: int) -> str:
    return text if len(text) <= width else text[: width - 1] + "~"
