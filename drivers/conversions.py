"""Closed lists a dialect file may choose from by name: unit conversions and scaling formulas. Pure.

No expressions in files: what is not listed here has to be added here, with its inverse and a test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

VPP_PER_VRMS = 2.0 * math.sqrt(2.0)  # of a sine


@dataclass(frozen=True)
class Surroundings:
    """What some conversions need besides the value: the record's length in s, half a screen in divisions."""

    record_s: float = math.nan
    half_divisions: float = math.nan


@dataclass(frozen=True)
class Conversion:
    """`there`: our value to the instrument's number; `back`: the inverse."""

    there: Callable[[float, Surroundings], float]
    back: Callable[[float, Surroundings], float]
    needs_divisions: bool = False


CONVERSIONS: Mapping[str, Conversion] = {
    "none": Conversion(lambda x, _: x, lambda x, _: x),
    "vrms_to_vpp": Conversion(lambda x, _: x * VPP_PER_VRMS, lambda x, _: x / VPP_PER_VRMS),
    "attenuation_to_gain": Conversion(lambda x, _: 1.0 / x, lambda x, _: 1.0 / x),
    "seconds_to_percent_of_record": Conversion(
        lambda x, s: 100.0 * x / s.record_s, lambda x, s: x / 100.0 * s.record_s
    ),
    "full_scale_to_volts_per_division": Conversion(
        lambda x, s: x / s.half_divisions, lambda x, s: x * s.half_divisions, needs_divisions=True
    ),
}


@dataclass(frozen=True)
class Line:
    """volts = at_zero_v + code x per_code_v, whichever way the instrument states it."""

    per_code_v: float
    at_zero_v: float

    def volts(self, code: float) -> float:
        return self.at_zero_v + code * self.per_code_v


@dataclass(frozen=True)
class Formula:
    """`terms`: the preamble fields it needs; `line`: those terms, by name, to volts."""

    terms: tuple[str, ...]
    line: Callable[[Mapping[str, float]], Line]


FORMULAS: Mapping[str, Formula] = {
    # V = (code - reference) x increment + origin
    "code_minus_reference_times_increment_plus_origin": Formula(
        ("reference", "increment", "origin"),
        lambda t: Line(t["increment"], t["origin"] - t["reference"] * t["increment"]),
    ),
    # V = (code - offset) x multiplier + zero
    "code_minus_offset_times_multiplier_plus_zero": Formula(
        ("offset", "multiplier", "zero"),
        lambda t: Line(t["multiplier"], t["zero"] - t["offset"] * t["multiplier"]),
    ),
}
