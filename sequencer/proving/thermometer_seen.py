"""Readings of a thermometer's input: plausible, moving, rising when it is warmed. Pure."""

from __future__ import annotations

from collections.abc import Sequence

ROOM_C = (5.0, 45.0)  # of a place where people work (our own judgement)
RISE_K = 1.0  # by a hand, within half a minute (our own judgement)
KELVIN = 273.15


def implausible(name: str, celsius: float) -> str | None:
    """What a reading of a sensor in the air of a room may be in another unit; None where it is plausible."""
    low_c, high_c = ROOM_C
    if low_c <= celsius <= high_c:
        return None
    told = f"input {name} reads {celsius:.4g} degC in a room"
    if low_c <= celsius - KELVIN <= high_c:
        return f"{told}: kelvins for degrees Celsius"
    if low_c <= (celsius - 32.0) / 1.8 <= high_c:
        return f"{told}: degrees Fahrenheit for Celsius"
    for known in (10.0, 0.1, 1000.0):
        if low_c <= celsius / known <= high_c:
            return f"{told}: {known:g} times too much: its number is scaled otherwise"
    return f"{told}: no plausible temperature of a room: kind of sensor, or a sensor that is off"


def stands_still(readings: Sequence[float]) -> bool:
    """All alike to the last digit."""
    return len(set(readings)) == 1


def warmed_fault(name: str, before: Sequence[float], after: Sequence[float]) -> str | None:
    """Once a person said that its sensor was warmed by hand."""
    if max(after) - before[-1] >= RISE_K:
        return None
    if stands_still([*before, *after]):
        many = len(before) + len(after)
        return f"input {name} reads {before[0]:g} degC {many} times to the last digit, warmed by a hand too: frozen"
    if before[-1] - min(after) >= RISE_K:
        return f"input {name} falls from {before[-1]:.2f} to {min(after):.2f} degC while it is warmed: sensor's poles"
    return f"input {name} rises by {max(after) - before[-1]:.2f} K only while it is warmed: another sensor's place?"
