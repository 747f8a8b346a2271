"""The lines of the live view, from what the night is doing, cut to the width of the terminal. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from rich.cells import cell_len, set_cell_size

from sequencer.plan.points import AnyPoint, Point
from sequencer.report.words import QUANTITIES, clean, cycles_text, frequency, listed, name, number
from sequencer.view.glance import Seen, glance
from sequencer.view.now import Now

HARMONICS = 20  # where a point names none
DOING = {
    "gain proof": "gain at a harmless level",
    "twin": "low level, to compare with",
    "ramp": "ramping",
    "confirm": "confirming",
    "gain": "gain",
    "quiet": "silence",
    "check": "checking",
    "soak": "keeping level",
    "warming": "warming up",
    "protection": "looking for the protection",
    "distortion": "reading distortion",
    "headroom": "bursts of 20 ms twice a second",
    "response": "reading response",
    "endurance": "working for hours",
}


def block(now: Now, width: int) -> list[str]:
    """The five lines that stay in place; none is wider than `width` cells."""
    return [cut(line, width) for line in (_whose(now), _which(now), _level(now), _read(now), _slow(now))]


def cut(line: str, width: int) -> str:
    """At most `width` cells, what is left out told by an ellipsis; a wide character takes two cells."""
    line = clean(line)
    if cell_len(line) <= width:
        return line
    return set_cell_size(line, width - 1).rstrip() + "…" if width > 1 else "…"[:width]


def folded(line: str, width: int) -> list[str]:
    """A sentence for a person is not cut but folded between words: it may say what to do."""
    parts = textwrap.wrap(clean(line), max(width, 20), subsequent_indent="    ", break_on_hyphens=False)
    return [cut(part, width) for part in parts] or [""]


def lasted(seconds: float) -> str:
    """ "52.6 s", "12 min 30 s", "6 h 12 min"."""
    if round(seconds, 1) < 60.0:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02} s"
    minutes = round(seconds / 60.0)
    return f"{minutes // 60} h {minutes % 60:02} min"


def both_times(bench_s: float, wall_s: float) -> str:
    """The last line of a rehearsal."""
    return f"bench time {lasted(bench_s)}, run through in {lasted(wall_s)}"


def shares(worked_s: Mapping[str, float], wall_s: float) -> str:
    """Where the real time of a rehearsal went; what no part claims is messages on their way, and time handed on."""
    parts = {"bus and clock": wall_s - sum(worked_s.values())} | dict(worked_s)
    return "of it " + ", ".join(f"{name} {max(100.0 * s / wall_s, 0.0):.0f} %" for name, s in parts.items())


def _whose(now: Now) -> str:
    told = f"bench time {_ticking(now.bench_s)}"
    if now.run is None:
        return told
    return f"{told}; unit {now.run.unit.serial} in bay {now.run.bay.name}, run {now.number} of {now.of}"


def _ticking(seconds: float) -> str:
    """Whole seconds, always as wide: what stands beside it stays where it is."""
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02}:{whole % 60:02}"


def _which(now: Now) -> str:
    if now.run is None or not now.points:
        return "between points"
    of = len(now.run.points)
    places = [number for number, point in enumerate(now.run.points, 1) if point in now.points]
    several = f"points {places[0]} to {places[-1]}" if len(places) > 1 else f"point {places[0] if places else '?'}"
    return f"{several} of {of}: {what(now.points)}"


def what(points: Sequence[AnyPoint]) -> str:
    """ "20 cycles, 1 kHz, into 4R, A and B, to 1 % THD"."""
    first = points[0]
    where = f"into {first.load}, {listed(first.channels)}"
    if not isinstance(first, Point):
        return f"{_measurement(first.measurement, first.frequencies_hz, first.wait)}, {where}"
    drive = f"steady {first.burst_s:g} s" if first.steady else cycles_text(first.cycles)
    limits = listed([f"{p.limit_pct:g} %" for p in points if isinstance(p, Point)])
    return f"{drive}, {frequency(first.frequency_hz)}, {where}, to {limits} {QUANTITIES[first.quantity]}"


def _measurement(key: str, frequencies_hz: Sequence[float], wait: str) -> str:
    if frequencies_hz:
        low, high = frequency(frequencies_hz[0]), frequency(frequencies_hz[-1])
        return f"{name(key)}, {low}" if low == high else f"{name(key)}, {low} to {high}"
    return f"{name(key)}, once warm" if key == "idle_current" and wait == "warm" else name(key)


def _level(now: Now) -> str:
    if now.shot is None:
        return "no shot yet"
    asked, shot = now.shot.request, now.shot
    doing = DOING.get(asked.purpose, asked.purpose)
    at = "" if asked.purpose == "quiet" else f" at {shot.level_vrms:.4g} Vrms"
    tone = f", {frequency(asked.frequency_hz)}" if asked.purpose == "gain" else ""
    return f"shot {shot.number}, {doing}{at}{tone}"


def _read(now: Now) -> str:
    if now.shot is None or not now.points:
        return "outputs not read yet"
    point = now.points[0]
    seen = glance(now.shot, point.channels, point.harmonics if isinstance(point, Point) else HARMONICS)
    unit = "V DC" if now.shot.request.purpose == "quiet" else "Vrms"
    outputs = ", ".join(_output(one, unit) for one in seen)
    worst = max((one for one in seen if one.thd is not None), key=lambda one: one.thd or 0.0, default=None)
    thd = "" if worst is None else f"; THD {number(100.0 * (worst.thd or 0.0), 2)} % in {worst.channel}"
    return f"outputs {outputs}{thd}" if outputs else "outputs not captured"


def _output(one: Seen, unit: str) -> str:
    if one.overloaded:
        return f"{one.channel} overload of the digitiser"
    return f"{one.channel} no burst seen" if one.volts is None else f"{one.channel} {number(one.volts, 3)} {unit}"


def _slow(now: Now) -> str:
    supply = "supply not read yet" if now.supply is None else f"supply {now.supply[0]:.2f} V, {now.supply[1]:.2f} A"
    heat = ", ".join(f"{channel} {c:.1f} °C" for channel, c in now.heatsink_c.items())
    return f"{supply}; heat sinks {heat}" if heat else supply
