"""Closed lists a dialect file may choose from by name: unit conversions and scaling formulas. Pure.

No expressions in files: what is not listed here has to be added here, with its inverse and a test.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

VPP_PER_VRMS = 2.0 * math.sqrt(2.0)  # of a sine
DBM_V = math.sqrt(1e-3 * 50.0)


@dataclass(frozen=True)
class Surroundings:
    """What some conversions need besides the value: the record's length and the interval of its samples in s, half a
    screen in divisions; the probe's attenuation, where a range is counted behind it."""

    record_s: float = math.nan
    half_divisions: float = math.nan
    interval_s: float = math.nan
    attenuation: float = 1.0


@dataclass(frozen=True)
class Conversion:
    """`there`: our value to the instrument's number; `back`: the inverse."""

    there: Callable[[float, Surroundings], float]
    back: Callable[[float, Surroundings], float]
    needs_divisions: bool = False


CONVERSIONS: Mapping[str, Conversion] = {
    "none": Conversion(lambda x, _: x, lambda x, _: x),
    "vrms_to_vpp": Conversion(lambda x, _: x * VPP_PER_VRMS, lambda x, _: x / VPP_PER_VRMS),
    # a source of 50 ohm shows half of its e.m.f. across 50 ohm
    "emf_to_vrms_at_50_ohm": Conversion(lambda x, _: x / 2.0, lambda x, _: x * 2.0),
    "emf_to_vpp_at_50_ohm": Conversion(lambda x, _: x * VPP_PER_VRMS / 2.0, lambda x, _: x / VPP_PER_VRMS * 2.0),
    # power of 1 mW across 50 ohm is 0 dBm: 0.2236 V there, twice that of e.m.f.
    "emf_to_dbm_at_50_ohm": Conversion(
        lambda x, _: 20.0 * math.log10(x / 2.0 / DBM_V), lambda x, _: 2.0 * DBM_V * 10.0 ** (x / 20.0)
    ),
    "vrms_to_peak": Conversion(lambda x, _: x * math.sqrt(2.0), lambda x, _: x / math.sqrt(2.0)),
    "attenuation_to_gain": Conversion(lambda x, _: 1.0 / x, lambda x, _: 1.0 / x),
    "seconds_to_percent_of_record": Conversion(
        lambda x, s: 100.0 * x / s.record_s, lambda x, s: x / 100.0 * s.record_s
    ),
    "seconds_to_samples": Conversion(lambda x, s: x / s.interval_s, lambda x, s: x * s.interval_s),
    "full_scale_to_volts_per_division": Conversion(
        lambda x, s: x / s.half_divisions, lambda x, s: x * s.half_divisions, needs_divisions=True
    ),
    "rate_to_interval": Conversion(lambda x, _: 1.0 / x, lambda x, _: 1.0 / x),
    "full_scale_to_span": Conversion(lambda x, _: 2.0 * x, lambda x, _: x / 2.0),
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
    # V = (code - origin - reference) x increment: fields of the same names as in the first, another meaning
    "code_minus_origin_minus_reference_times_increment": Formula(
        ("reference", "increment", "origin"),
        lambda t: Line(t["increment"], -(t["origin"] + t["reference"]) * t["increment"]),
    ),
    # volts already, as floating-point numbers
    "volts": Formula((), lambda _: Line(1.0, 0.0)),
    # V = code x gain - offset
    "code_times_gain_minus_offset": Formula(("gain", "offset"), lambda t: Line(t["gain"], -t["offset"])),
    # V = code / codes_per_division x volts_per_division - offset
    "code_over_codes_per_division_times_volts_per_division_minus_offset": Formula(
        ("codes_per_division", "volts_per_division", "offset"),
        lambda t: Line(t["volts_per_division"] / t["codes_per_division"], -t["offset"]),
    ),
}
