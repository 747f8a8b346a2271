"""What a supply's own readings and signs say of it, with nothing on its lead, or a resistor that is known. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

VOLTS_PART, VOLTS_V = 0.01, 0.05  # its meter and its setting (common practice, no source)
AMPS_PART, AMPS_A = 0.03, 0.05  # the resistor is known less well
SENSE_V = (0.2, 2.5)  # what a supply with its sense leads open gives too much (common practice, no source)
OFF_V = 0.5


@dataclass(frozen=True)
class Point:
    """As set and as read. dummy_ohm: infinite with nothing there. limited, tripped: its signs."""

    set_v: float
    limit_a: float
    read_v: float
    read_a: float
    limited: bool
    tripped: str | None = None
    dummy_ohm: float = math.inf

    @property
    def wanted_a(self) -> float:
        """By Ohm's law, at the volts set."""
        return self.set_v / self.dummy_ohm


def regulated_fault(one: Point) -> str | None:
    """Volts as set, amps by the resistor, no sign of a limit. None: nothing is wrong."""
    off_v = one.read_v - one.set_v
    if one.tripped is not None:
        return f"it says {one.tripped} at {one.set_v:g} V with {_load(one)}: trip bits misread, or it has tripped"
    if abs(off_v) > VOLTS_PART * one.set_v + VOLTS_V:
        return _volts_fault(one, off_v)
    if abs(one.read_a - one.wanted_a) > AMPS_PART * one.wanted_a + AMPS_A:
        return _amps_fault(one)
    if one.limited:
        told = "in current limit" if one.wanted_a < one.limit_a else "limited"
        return (
            f"it says {told} while it gives {one.read_v:.4g} V as set and {one.read_a:.3g} A of {one.limit_a:g} A: "
            "its status bits are the wrong way round"
        )
    return None


def _load(one: Point) -> str:
    return "nothing on its lead" if math.isinf(one.dummy_ohm) else f"{one.dummy_ohm:g} ohm on its lead"


def _volts_fault(one: Point, off_v: float) -> str:
    told = f"{one.set_v:g} V set, {one.read_v:.4g} V read with {_load(one)}"
    ratio = one.read_v / one.set_v
    if abs(one.read_a - one.set_v) <= 0.05 * one.set_v and abs(one.read_v - one.wanted_a) <= AMPS_A:
        return f"{told}, {one.read_a:.4g} A: volts and amps swapped"
    if SENSE_V[0] < off_v < SENSE_V[1]:
        return f"{told}: {off_v:+.2f} V too high: its sense leads are open"
    if abs(one.read_v) < OFF_V:
        return f"{told}: it gives nothing, or its lead is shorted"
    for known, words in ((1000.0, "mV for V"), (0.001, "V for mV")):
        if abs(ratio / known - 1.0) < 0.05:
            return f"{told}: a unit a thousand times off: {words}"
    if not math.isinf(one.dummy_ohm) and abs(ratio / (one.read_a / one.wanted_a or math.inf) - 1.0) < 0.05:
        return f"{told}, {one.read_a:.3g} A: its limit of {one.limit_a:g} A acts too early"
    return f"{told}: setting or meter is off, {ratio:.3g} times"


def _amps_fault(one: Point) -> str:
    told = f"{one.read_a:.4g} A read at {one.read_v:.4g} V with {_load(one)}"
    if math.isinf(one.dummy_ohm):
        return f"{told}: something draws current: is a unit connected?"
    told += f", {one.wanted_a:.4g} A by volts over ohms"
    for known, words in ((1000.0, "mA for A"), (0.001, "A for mA")):
        if abs(one.read_a / one.wanted_a / known - 1.0) < 0.05:
            return f"{told}: a unit a thousand times off: {words}"
    if abs(one.read_a) < AMPS_A:
        return f"{told}: the resistor is not connected, or the lead is open"
    return f"{told}: its meter, or the ohms of the bench file, are off"


def limited_fault(one: Point) -> str | None:
    """With a limit below what the resistor would draw: amps at the limit, volts fallen with them, and its sign."""
    read = f"{one.read_a:.3g} A, {one.read_v:.4g} V"
    told = f"limit {one.limit_a:g} A into {one.dummy_ohm:g} ohm at {one.set_v:g} V: {read}"
    if abs(one.read_a - one.limit_a) > AMPS_PART * one.limit_a + AMPS_A:
        return f"{told}: its current limit is not taken"
    if abs(one.read_v - one.limit_a * one.dummy_ohm) > 0.05 * one.set_v + VOLTS_V:
        return f"{told}: volts and amps do not fit the resistor: one of its readings is not of its terminals"
    if not one.limited:
        return f"{told}: its limit acts and its sign does not say so: status bits misread"
    return None


def off_fault(read_v: float, set_v: float, rail_v: float | None) -> str | None:
    """After its output was switched off and read back off. rail_v: at the place, by the digitiser, if it sees it."""
    if abs(read_v) <= OFF_V and (rail_v is None or abs(rail_v) <= OFF_V):
        return None
    told = f"{read_v:.4g} V are read after the output was switched off"
    if rail_v is not None:
        told += f", {rail_v:.3g} V seen at the place"
    if rail_v is not None and abs(rail_v) <= OFF_V and abs(read_v - set_v) < VOLTS_PART * set_v + VOLTS_V:
        return f"{told}: its reading is the setting, not its terminals"
    if rail_v is None and abs(read_v - set_v) < VOLTS_PART * set_v + VOLTS_V:
        return f"{told}: its output stays on, or its reading is the setting, not its terminals"
    return f"{told}: its output stays on"
