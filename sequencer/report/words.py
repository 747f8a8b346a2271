"""Numbers, names and sentences as the printed pages say them. Pure.

Watts end at the place of their uncertainty's second digit, as in the table of a night.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sequencer.analysis.rounding import MINUS, plain, with_uncertainty

Row = Mapping[str, Any]

LARGEST_PLAIN = 1e7  # beyond it, powers of ten: no column may grow with a number
NONE = "–"
SIMULATED = "A dry run on simulated instruments: nothing here was measured on a real unit."
QUANTITIES = {"thd": "THD", "thd_n": "THD+N", "burst_residual": "burst residual"}


# What these fire is their own affair.
OWN_TONE = ("soak", "precondition", "endurance", "steady_efficiency", "protection", "dynamic_headroom")


def clean(text: object) -> str:
    """Control codes and marks that turn the direction of text become `?`: a name may not rewrite what is beside it."""
    return "".join(c if c.isprintable() else "?" for c in str(text))


def short(text: object, at_most: int) -> str:
    told = clean(text)
    return told if len(told) <= at_most else told[: at_most - 1] + "…"


def number(value: float | None, digits: int = 4) -> str:
    """To so many significant digits; a dash for what was not seen."""
    if value is None:
        return NONE
    value = float(value)
    small = 0.0 < abs(value) < 1.0 / LARGEST_PLAIN
    return f"{value:.{digits}g}" if small or abs(value) >= LARGEST_PLAIN else plain(value, digits)


def declared(value: float | None, times: float = 1.0) -> str:
    """A setting or a count: as it was set, without invented noughts."""
    return NONE if value is None else f"{value * times:g}"


def fixed(value: float | None, decimals: int) -> str:
    """To so many decimals: a change near nought is nought, not a long tail of noughts."""
    if value is None or abs(value) >= LARGEST_PLAIN:
        return number(value)
    shown = f"{abs(value):.{decimals}f}"
    return f"{MINUS}{shown}" if value < 0 and float(shown) else shown


def measured(value: float | None, expanded: float | None) -> str:
    """ "112.3 ±2.4": after JCGM 100, 7.2.6."""
    if value is None or not expanded or max(abs(value), expanded) >= LARGEST_PLAIN:
        return number(value)
    shown, u = with_uncertainty(float(value), float(expanded))
    return f"{shown} ±{u}"


def at_limit(channel: Row) -> str:
    return measured(channel.get("power_at_limit_w"), channel.get("power_at_limit_expanded_uncertainty_w"))


def accepted(channel: Row) -> str:
    return measured(channel["power_w"], channel.get("power_expanded_uncertainty_w"))


def by_residual(point: Row) -> bool:
    judged = point.get("judged_by")
    return judged in ("burst_residual", "burst residual") if judged else point.get("stopped_by") == "burst_residual"


def quantity(point: Row) -> str:
    """What the point's limit is a limit of."""
    return (
        QUANTITIES["burst_residual"]
        if by_residual(point)
        else QUANTITIES.get(str(point.get("stop_quantity", "thd")), "THD")
    )


def limit(point: Row) -> str:
    """ "1 % THD"."""
    return NONE if point.get("stop_limit") is None else f"{point['stop_limit']:g} % {quantity(point)}"


def distortion(channel: Row, residual: bool) -> str:
    """ "0.97 (0.02)": reading and floor; "below (0.02)" where the reading does not rise above its floor."""
    keys = ("burst_residual_pct", "burst_residual_floor_pct") if residual else ("thd_pct", "thd_floor_pct")
    value, floor = channel.get(keys[0]), channel.get(keys[1])
    if value is None:
        return NONE
    shown = number(value, 2) if floor is None or value > floor else "below"
    return shown if floor is None else f"{shown} ({number(floor, 1)})"


def frequency(hz: float) -> str:
    return f"{hz / 1000.0:g} kHz" if hz >= 1000.0 else f"{hz:g} Hz"


def burst(point: Row) -> str:
    """ "20 cycles", "steady 2 s"."""
    cycles, hz = point.get("cycles"), point.get("frequency_hz")
    if not cycles:
        return name(point["measurement"])
    if point.get("steady") and hz:
        return f"steady {cycles / hz:g} s"
    return cycles_text(cycles)


def cycles_text(count: int) -> str:
    """ "1 cycle", "20 cycles"."""
    return f"{count} cycle{'' if count == 1 else 's'}"


def drive(point: Row) -> str:
    """ "20 cycles 1 kHz", with the supply where it is known."""
    if point["measurement"] in OWN_TONE:
        return name(point["measurement"])
    hz = point.get("frequency_hz")
    return burst(point) + (f" {frequency(hz)}" if hz else "")


def where(point: Row) -> str:
    """ "8R, 20 cycles 1 kHz"."""
    load = point.get("load")
    return (f"{short(load, 20)}, " if load else "") + drive(point)


def ended_by(point: Row) -> str:
    """Why the ramp ended, and in which channel: "1 % THD, A"."""
    by = point.get("stopped_by")
    if by is None:
        return NONE
    said = limit(point) if by in QUANTITIES else name(by)
    channel = point.get("stopped_by_channel")
    return said + (f", {short(channel, 8)}" if channel else "")


def not_measured(point: Row) -> str:
    """Reason, and the lowest distortion where no level was within the limit."""
    what = "tripped" if point["outcome"] == "tripped" else "not measured"
    lowest, watts = point.get("lowest_thd_pct"), point.get("lowest_thd_power_w")
    at = f" at {number(watts, 2)} W" if watts is not None else ""
    least = f"; lowest {number(lowest, 2)} %{at}" if lowest is not None else ""
    return f"{what}: {clean(point.get('reason') or 'no reason kept')}{least}"


def name(key: object) -> str:
    """A key of the results as words."""
    return clean(key).replace("_", " ")


def stamp(text: str | None) -> str:
    """ "2026-01-05 22:00 UTC"; what is no time is shown as it is."""
    if not text:
        return NONE
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return clean(text)
    offset = when.strftime("%z")
    zone = "UTC" if offset in ("+0000", "") else f"UTC{offset[:3]}:{offset[3:5]}"
    return f"{when:%Y-%m-%d %H:%M} {zone}"


def unseen(value: Mapping[str, Any]) -> str:
    """Instead of a figure: one that lies beyond the tones is not one that nobody saw."""
    reason = clean(value.get("reason") or "")
    return reason.partition(":")[0] if reason.startswith("beyond the tones") else "not seen"


def of(part: int, whole: int, what: str) -> str:
    """ "7 of 8 within"."""
    return f"{part} of {whole} {what}"


def sentence(text: str) -> str:
    """Ended by a full stop, begun as it is."""
    told = clean(text).strip()
    return told if not told or told[-1] in ".!?…" else told + "."


def told(text: str) -> str:
    """A sentence with its capital and its full stop."""
    said = sentence(text)
    return said[:1].upper() + said[1:]


def listed(names: Sequence[str]) -> str:
    """ "p001, p002 and p003"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}" if names else ""


def source(id: str) -> str:
    """A source of uncertainty, by its id."""
    kind, _, rest = id.partition(":")
    of, _, last = rest.partition(":")
    of, last = clean(of), clean(last)
    said = {
        "heat": "heat of the load",
        "contact": "closing of the load's contacts",
        "load": f"ohms of load {of}, channel {last}",
        "probe": f"probe of {of}",
        "range": f"gain of {of} on its {last} V range",
        "transfer": f"gain of {of} on its {last} V range, as it repeats against the meter",
        "meter": "the meter's own accuracy",
    }
    return said.get(kind, name(id))
