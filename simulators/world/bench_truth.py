"""What the simulated bench really is: the errors of its instruments, its leads and loads."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from simulators.world.noise import around_zero


@dataclass(frozen=True)
class InputTruth:
    """One digitiser input. probe_factor: the probe really fitted (10 = divides by ten).

    range_gain_errors: relative, by volts per division at the connector; ranges not named draw theirs from
    +-range_gain_spread by seed. offset_error_v: at the connector.
    """

    probe_factor: float = 1.0
    probe_gain_error: float = 0.0
    offset_error_v: float = 0.0
    range_gain_spread: float = 0.0
    range_gain_errors: Mapping[float, float] = field(default_factory=dict)

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
    """volts_error: relative, of what is set. meter errors: relative. lead_ohm: both leads to the unit."""

    volts_error: float = 0.0
    source_ohm: float = 0.0
    lead_ohm: float = 0.0
    meter_volts_error: float = 0.0
    meter_amps_error: float = 0.0
    meter_noise_v: float = 0.0
    meter_noise_a: float = 0.0


@dataclass(frozen=True)
class BenchTruth:
    """generator_level_error: relative. thermometer_error_k: per input number (as 301)."""

    digitiser: DigitiserTruth = DigitiserTruth()
    supply: SupplyTruth = SupplyTruth()
    generator_level_error: float = 0.0
    load_ohm: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    load_shunt_ohm: float = 0.01
    supply_shunt_ohm: float = 0.001
    thermometer_error_k: Mapping[str, float] = field(default_factory=dict)
    thermometer_noise_k: float = 0.0
