"""What stands on the page in words: what is done now, what is read beside its limits, what was made safe. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, tzinfo

from sequencer.measurements.requests import Shot
from sequencer.night.setup import UnitRun
from sequencer.page.pictures import Trend, Tried
from sequencer.page.scene import Reading, Scene
from sequencer.plan.models import Bench
from sequencer.report.words import NONE, clean, fixed, frequency, number
from sequencer.safety.rules_model import Scope
from sequencer.view.glance import Seen
from sequencer.view.words import DOING, what


@dataclass(frozen=True)
class Read:
    """One row: what, its value now, its limits, and how far it is from them."""

    what: str
    now: str
    limits: str
    how: str
    is_beyond: bool = False


def state_line(scene: Scene) -> str:
    """The first line under the title."""
    now = scene.now
    if not scene.is_night:
        return _at_rest(scene)
    if scene.stop_at_s is not None:
        return "Stopped by a person: it ends, and nothing goes on by itself."
    if now.run is None:
        return "The night begins."
    return (
        f"Measuring unit {clean(now.run.unit.serial)} in bay {clean(now.run.bay.name)}, run {now.number} of {now.of}."
    )


def _at_rest(scene: Scene) -> str:
    """No more is claimed than was confirmed."""
    if scene.plan is None:
        return "Nothing has begun: nothing is energised."
    if scene.safe is None or not scene.safe.over:
        return "No night is under way; how the last one left the bench is not known here."
    if not scene.safe.confirmed:
        return "No night is under way, and the bench is NOT CONFIRMED SAFE."
    return "No night is under way: nothing is energised."


def time_line(scene: Scene) -> str:
    if not scene.is_night:
        return ""
    whole = int(scene.now.bench_s)
    return f"Bench time {whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02} since the night began."


def point_lines(scene: Scene, tried: Sequence[Tried]) -> list[str]:
    """Which point, which shot, what its outputs read at a glance."""
    now = scene.now
    if now.run is None or not now.points:
        return ["Between points."] if scene.is_night else []
    places = [place for place, point in enumerate(now.run.points, 1) if point in now.points]
    several = f"Points {places[0]} to {places[-1]}" if len(places) > 1 else f"Point {places[0] if places else '?'}"
    lines = [f"{several} of {len(now.run.points)}: {what(now.points)}."]
    if now.shot is None:
        return [*lines, "No shot yet."]
    lines.append(shot_line(now.shot))
    last = next((one for one in reversed(tried) if one.number == now.shot.number), None)
    long_tone = now.shot.request.last_s is not None  # its end alone is captured, and may lie beside what is looked at
    if last is not None and last.seen and not (long_tone and all(one.volts is None for one in last.seen)):
        lines.append(outputs_line(last.seen, silence=now.shot.request.purpose == "quiet"))
    return lines


def shot_line(shot: Shot) -> str:
    asked = shot.request
    at = "" if asked.purpose == "quiet" else f" at {shot.level_vrms:.4g} Vrms, {frequency(asked.frequency_hz)}"
    return f"Shot {shot.number}: {DOING.get(asked.purpose, asked.purpose)}{at}."


def outputs_line(seen: Sequence[Seen], *, silence: bool) -> str:
    unit = "V DC" if silence else "Vrms"
    outputs = ", ".join(_output(one, unit) for one in seen)
    worst = max((one for one in seen if one.thd is not None), key=lambda one: one.thd or 0.0, default=None)
    thd = "" if worst is None else f"; THD {number(100.0 * (worst.thd or 0.0), 2)} % in {worst.channel}"
    return f"Outputs at a glance: {outputs}{thd}."


def _output(one: Seen, unit: str) -> str:
    if one.overloaded:
        return f"{one.channel} overload of the digitiser"
    return f"{one.channel} no burst seen" if one.volts is None else f"{one.channel} {number(one.volts, 3)} {unit}"


# --- supply and heat sinks


def bench_rows(run: UnitRun | None, bench: Bench | None, readings: Sequence[Reading]) -> list[Read]:
    """Rail, current, each heat sink: now, with their limits."""
    if run is None or bench is None:
        return []
    unit, last = run.unit, readings[-1] if readings else None
    volts, amps = (last.supply_v, last.supply_a) if last else (None, None)
    least, most = unit.supply_v.min, unit.supply_v.max
    limit_a, whose = Scope.of(unit, bench, run.bay, "").current_limit
    rows = [
        _row(
            "rail, at the supply", volts, "V", 2, f"unit's range {least:g} to {most:g} V", _in_range(volts, least, most)
        ),
        _row("current", amps, "A", 3, f"trip above {limit_a:g} A ({whose})", _below(amps, None, limit_a, "A", 2)),
    ]
    heat = last_heat(readings)
    for name in unit.channel_names():
        if name in run.bay.thermometer:
            c = heat.get(name)
            limits = f"stop {unit.heat.stop_c:g} °C, trip {unit.heat.trip_c:g} °C"
            how = _below(c, unit.heat.stop_c, unit.heat.trip_c, "K", 1)
            rows.append(_row(f"heat sink {name}", c, "°C", 1, limits, how))
    return rows


def last_heat(readings: Sequence[Reading]) -> dict[str, float]:
    return next((dict(one.heatsink_c) for one in reversed(readings) if one.heatsink_c), {})


def trends(run: UnitRun | None, bench: Bench | None, readings: Sequence[Reading]) -> list[Trend]:
    if run is None or bench is None or len(readings) < 2:
        return []
    unit = run.unit
    limit_a, _ = Scope.of(unit, bench, run.bay, "").current_limit
    volts = [(one.at_s, one.supply_v) for one in readings if one.supply_v is not None]
    amps = [(one.at_s, one.supply_a) for one in readings if one.supply_a is not None]
    heat = {
        name: [(one.at_s, one.heatsink_c[name]) for one in readings if name in one.heatsink_c]
        for name in unit.channel_names()
    }
    heat = {name: line for name, line in heat.items() if line}
    range_v = (
        (unit.supply_v.max, f"most {unit.supply_v.max:g} V"),
        (unit.supply_v.min, f"least {unit.supply_v.min:g} V"),
    )
    hot = ((unit.heat.stop_c, f"stop {unit.heat.stop_c:g} °C"), (unit.heat.trip_c, f"trip {unit.heat.trip_c:g} °C"))
    made = [
        Trend("rail at the supply", "V", {"": volts}, range_v, 1.0, 2) if volts else None,
        Trend("current", "A", {"": amps}, ((limit_a, f"trip {limit_a:g} A"),), 0.2, 2) if amps else None,
        Trend("heat sinks", "°C", heat, hot, 5.0, 1) if heat else None,
    ]
    return [one for one in made if one is not None]


def _row(what_it_is: str, value: float | None, unit: str, decimals: int, limits: str, how: tuple[str, bool]) -> Read:
    told = NONE if value is None else f"{fixed(value, decimals)} {unit}"
    return Read(what_it_is, told, limits, *(("not read", False) if value is None else how))


def _in_range(volts: float | None, least: float, most: float) -> tuple[str, bool]:
    if volts is None:
        return "not read", False
    if volts > most:
        return f"{fixed(volts - most, 2)} V above the unit's most", True
    if volts < least:
        return f"{fixed(least - volts, 2)} V below the unit's least", True
    return "within", False


def _below(value: float | None, stop: float | None, trip: float, unit: str, decimals: int) -> tuple[str, bool]:
    """Which limit is the next one, and how far it is."""
    if value is None:
        return "not read", False
    if value > trip:
        return f"{fixed(value - trip, decimals)} {unit} above the trip limit", True
    if stop is not None and value > stop:
        over, left = fixed(value - stop, decimals), fixed(trip - value, decimals)
        return f"{over} {unit} above the stop limit, {left} {unit} below the trip limit", True
    limit, name = (trip, "trip") if stop is None else (stop, "stop")
    return f"{fixed(limit - value, decimals)} {unit} below the {name} limit", False


def after_words(after_s: float | None) -> str:
    """ "0.12 s"; nothing where it was confirmed before anybody pressed STOP."""
    return "" if after_s is None or after_s < 0.0 else f"{after_s:.2f} s"


def when(stamp: str, zone: tzinfo | None) -> str:
    """ "2026-01-05 22:00" on the clock of the page."""
    try:
        return f"{datetime.fromisoformat(stamp).astimezone(zone):%Y-%m-%d %H:%M}"
    except ValueError:
        return stamp
