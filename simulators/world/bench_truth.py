"""What the simulated bench really is: the errors of its instruments, its leads and loads."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from simulators.world.noise import around_zero
from simulators.world.unit_truth import HeatTruth


@dataclass(frozen=True)
class InputTruth:
    """One digitiser input. probe_factor: the probe really fitted (10 = divides by ten).

    range_gain_errors: relative, by volts per division at the connector; ranges not named draw theirs from
    +-range_gain_spread by seed. offset_error_v: at the connector. open_ground_hum_v: peak 50 Hz at the connector, of a
    probe whose ground clip has come off.
    """

    probe_factor: float = 1.0
    probe_gain_error: float = 0.0
    offset_error_v: float = 0.0
    range_gain_spread: float = 0.0
    range_gain_errors: Mapping[float, float] = field(default_factory=dict)
    open_ground_hum_v: float = 0.0

    def range_gain_error(self, volts_per_division: float, seed: int, number: int) -> float:
        named = self.range_gain_errors.get(volts_per_division)
        if named is not None:
            return named
        return self.range_gain_spread * around_zero(seed, "range", number, volts_per_division)


@dataclass(frozen=True)
class DigitiserTruth:
    """noise_steps: rms of the input noise in converter steps. clock_ppm > 0: samples come too fast."""

    bits: int = 12
    noise_steps: float = 0.5
    clock_ppm: float = 0.0
    inputs: Mapping[int, InputTruth] = field(default_factory=dict)

    def input(self, number: int) -> InputTruth:
        return self.inputs.get(number, InputTruth())


@dataclass(frozen=True)
class SupplyTruth:
    """volts_error: relative, of what is set. meter errors: relative. lead_ohm: both leads to the unit.

    most_a: what it can really give, whatever its limit is set to. sense: where it regulates; with its sense leads
    open it gives open_sense_v too much. minus_part: the minus lead's part of lead_ohm.
    """

    volts_error: float = 0.0
    source_ohm: float = 0.0
    lead_ohm: float = 0.0
    meter_volts_error: float = 0.0
    meter_amps_error: float = 0.0
    meter_noise_v: float = 0.0
    meter_noise_a: float = 0.0
    most_a: float = math.inf
    sense: Literal["supply", "unit", "open"] = "supply"
    open_sense_v: float = 0.7
    minus_part: float = 0.5


@dataclass(frozen=True)
class LoadTruth:
    """What a load has beside its ohms: heat of one node per channel (K/W, J/K), tempco, inductance in series."""

    tempco_per_k: float = 0.0
    k_per_w: float = 1.0
    j_per_k: float = 200.0
    ambient_c: float = 22.0
    inductance_h: float = 0.0

    @property
    def heat(self) -> HeatTruth:
        return HeatTruth(self.k_per_w, self.j_per_k, self.ambient_c)


@dataclass(frozen=True)
class MeterTruth:
    """Of the true-rms meter. error: relative, of every range; range_errors: further, by range in V rms. noise: rms, of
    the range."""

    error: float = 0.0
    range_errors: Mapping[float, float] = field(default_factory=dict)
    noise: float = 0.0

    def gain_error(self, range_vrms: float) -> float:
        return self.error + self.range_errors.get(range_vrms, 0.0)


@dataclass(frozen=True)
class BenchTruth:
    """generator_level_error: relative. thermometer_error_k: per input number (as 301). load_ohm: the true ones; a
    wrong load is one whose ohms are far from what the bench file says. contact_ohm: by contact, in series with what it
    connects. shield_ohm: of the input lead's shield. input_hum_v: (Hz, peak V) at the unit's input when its ground is
    open.
    """

    digitiser: DigitiserTruth = DigitiserTruth()
    supply: SupplyTruth = SupplyTruth()
    meter: MeterTruth = MeterTruth()
    generator_level_error: float = 0.0
    load_ohm: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    load_shunt_ohm: float = 0.01
    supply_shunt_ohm: float = 0.001
    supply_clamp_v_per_a: float = 0.05
    supply_clamp_zero_a: float = 0.0
    thermometer_error_k: Mapping[str, float] = field(default_factory=dict)
    thermometer_noise_k: float = 0.0
    load: Mapping[str, LoadTruth] = field(default_factory=dict)
    contact_ohm: Mapping[str, float] = field(default_factory=dict)
    shield_ohm: float = 0.05
    input_hum_v: tuple[tuple[float, float], ...] = ()
