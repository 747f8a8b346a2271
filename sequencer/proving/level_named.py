"""A level that is not what was set, named by its ratio. Pure.

The ratios are closed forms of a sine: peak to peak is 2 sqrt(2) times its rms, peak sqrt(2) times; a source of 50 ohm
that counts on 50 ohm gives twice its number into an input of high resistance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

ALIKE_PART = 0.03  # ratios that are one (our own choice)
FAR_PART = 0.25
ROOT, TWO_ROOTS = math.sqrt(2.0), 2.0 * math.sqrt(2.0)

CAUSES: tuple[tuple[float, str], ...] = (
    (2.0, "load setting 50 ohm where high impedance is meant, or a halved level in the dialect file"),
    (0.5, "an input of 50 ohm, or a level doubled for 50 ohm in the dialect file"),
    (TWO_ROOTS, "V rms taken for V peak to peak that were sent: a level in rms is meant"),
    (1.0 / TWO_ROOTS, "the level is taken as V peak to peak, V rms were sent"),
    (ROOT, "V peak were sent, the level is taken as V rms (or Vpp as V rms, halved by a load setting)"),
    (1.0 / ROOT, "the level is taken as V peak, V rms were sent (or as V peak to peak, with a load setting of 50 ohm)"),
    (10.0, "probe factor: the probe divides ten times less than the bench file says (1:1 for 10:1, 10:1 for 100:1)"),
    (0.1, "probe factor: the probe divides ten times more than the bench file says (10:1 for 1:1, 100:1 for 10:1)"),
    (100.0, "probe factor: the probe divides a hundred times less than the bench file says"),
    (0.01, "probe factor: the probe divides a hundred times more than the bench file says"),
    (1000.0, "a unit a thousand times off: mV for V"),
    (0.001, "a unit a thousand times off: V for mV"),
)


UNITS = {
    "level": "V or mV",
    "offset": "V or mV",
    "volts": "V or mV",
    "over_voltage_trip": "V or mV",
    "limit": "A or mA",
    "frequency": "Hz or kHz",
}


@dataclass(frozen=True)
class LevelSeen:
    """One level as set and as the digitiser saw it, V rms."""

    set_vrms: float
    seen_vrms: float

    @property
    def ratio(self) -> float:
        return self.seen_vrms / self.set_vrms


def level_fault(levels: Sequence[LevelSeen], allowed: float) -> str | None:
    """What is wrong, with its likely cause; None where each lies within `allowed` (a part) of what was set."""
    if all(abs(one.ratio - 1.0) <= allowed for one in levels):
        return None
    told = ", ".join(f"{one.set_vrms:g} Vrms set, {one.seen_vrms:.4g} seen" for one in levels)
    ratios = [one.ratio for one in levels]
    if (law := _decibels(levels)) is not None:
        return f"the level does not go with what was set: {told}: {law}"
    if max(ratios) > min(ratios) * (1.0 + 2.0 * ALIKE_PART + allowed):
        return f"the level does not go with what was set: {told}: ranges, or a level that is kept in steps"
    middle = math.exp(sum(math.log(r) for r in ratios) / len(ratios))
    return f"reads {middle:.3g} times what was set: {cause_of(middle)} ({told})"


def cause_of(ratio: float, alike: float = ALIKE_PART) -> str:
    """The likely one; of two together where no single one fits. alike: a part; more, where little was to be seen."""
    for known, words in CAUSES:
        if abs(ratio / known - 1.0) <= alike:
            return words
    for first, words in CAUSES[:6]:
        for second, more in CAUSES[6:]:
            if abs(ratio / (first * second) - 1.0) <= alike:
                return f"two at once: {words}; and {more}"
    return "gain of generator, probe or range; hold each against a meter"


def read_back_cause(name: str, ratio: float) -> str | None:
    """Why a setting may read back so many times what was sent; None where nothing is likely."""
    if name in UNITS and any(abs(ratio / known - 1.0) <= ALIKE_PART for known in (1000.0, 0.001)):
        return f"{ratio:.4g} times what was sent, a unit a thousand times off: {UNITS[name]}"
    words = next((words for known, words in CAUSES[:6] if abs(ratio / known - 1.0) <= ALIKE_PART), None)
    return f"{ratio:.4g} times what was sent: {words}" if name == "level" and words else None


def _decibels(levels: Sequence[LevelSeen]) -> str | None:
    """Where the number was taken as decibels: V = reference x 10^(number / 20)."""
    if len(levels) < 2:
        return None
    laws = (("dBV", 1.0), ("dBm into 50 ohm", math.sqrt(0.05)), ("dBm into 600 ohm", math.sqrt(0.6)))
    for name, reference_v in laws:
        for part in (1.0, 2.0):
            wanted = [part * reference_v * 10.0 ** (one.set_vrms / 20.0) for one in levels]
            if all(abs(one.seen_vrms / w - 1.0) <= ALIKE_PART for one, w in zip(levels, wanted, strict=True)):
                return f"the number is taken as {name}"
    return None


def frequency_fault(set_hz: float, seen_hz: float, allowed_ppm: float) -> str | None:
    """None where the two agree."""
    ratio = seen_hz / set_hz
    if abs(ratio - 1.0) <= allowed_ppm * 1e-6:
        return None
    told = f"{set_hz:g} Hz set, {seen_hz:.6g} Hz seen on the digitiser's clock"
    for known, words in (
        (1000.0, "kHz for Hz"),
        (0.001, "Hz for kHz, or a period for a frequency"),
        (2.0, "the sample rate is half of what the digitiser tells, or the frequency is doubled"),
        (0.5, "the sample rate is twice what the digitiser tells, or the frequency is halved"),
        (10.0, "a decade off"),
        (0.1, "a decade off"),
        (2.0 * math.pi, "radians for cycles"),
        (1.0 / (2.0 * math.pi), "cycles for radians"),
    ):
        far = known > 100.0 or known < 0.01  # a burst of a few samples, or a part of a cycle
        if abs(ratio / known - 1.0) <= (FAR_PART if far else ALIKE_PART):
            return f"{told}: {ratio:.4g} times: {words}"
    if abs(ratio - 1.0) < 0.01:
        return f"{told}: {1e6 * (ratio - 1.0):+.0f} ppm, more than {allowed_ppm:g}: one of the two clocks is off"
    return f"{told}: {ratio:.4g} times"
