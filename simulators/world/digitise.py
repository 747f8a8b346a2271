"""From volts on a wire to the codes of a converter: probe, range, noise, own clock, end codes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from simulators.world.noise import Samples, normals, uniform
from simulators.world.residue import lines
from simulators.world.world import World

Codes = npt.NDArray[np.int32]
PROBE_OHM_PER_FACTOR = 1e6  # a divider probe's series resistance is (factor - 1) megohm


@dataclass(frozen=True)
class InputSetting:
    """One input as set; volts at the connector. offset_v: what stands in the middle of the range."""

    number: int
    volts_per_division: float
    divisions: float
    offset_v: float = 0.0
    coupling: Literal["DC", "AC"] = "DC"
    fifty_ohm: bool = False


@dataclass(frozen=True)
class Record:
    """When and how finely: `points` samples, the trigger after `before` of them."""

    trigger_ns: int
    sample_hz: float
    points: int
    before: int


class Digitiser:
    """The converters behind one front. `wiring`: input number -> wire; others are open."""

    def __init__(self, world: World, instrument: str, wiring: Mapping[int, str]) -> None:
        self._world, self._instrument, self._wiring = world, instrument, dict(wiring)
        self._truth = world.bench.digitiser

    @property
    def bits(self) -> int:
        return self._truth.bits

    def sample_times_s(self, record: Record) -> Samples:
        """True instants of the samples after the trigger: the converter's clock runs on by itself, so the trigger
        falls anywhere between two samples.
        """
        phase = uniform(self._world.seed, self._instrument, "phase", record.trigger_ns)
        step_s = 1.0 / (record.sample_hz * (1.0 + self._truth.clock_ppm * 1e-6))
        return (np.arange(record.points, dtype=np.float64) - record.before + phase) * step_s

    def codes(self, record: Record, inputs: list[InputSetting]) -> dict[int, Codes]:
        """Signed converter codes, -2^(bits-1) .. 2^(bits-1) - 1, by input number."""
        t_s = self.sample_times_s(record)
        wiring = {**self._wiring, **self._world.probes}
        names = sorted({wiring[i.number] for i in inputs if i.number in wiring})
        wires = self._world.wires(names, record.trigger_ns, t_s)
        silence = np.zeros_like(t_s), np.zeros_like(t_s)
        return {i.number: self._convert(i, record, *wires.get(wiring.get(i.number, ""), silence)) for i in inputs}

    def _convert(self, setting: InputSetting, record: Record, volts: Samples, noise_v: Samples) -> Codes:
        truth, seed = self._truth.input(setting.number), self._world.seed
        gain = (1.0 + truth.probe_gain_error) / truth.probe_factor
        if setting.fifty_ohm:
            gain *= 50.0 / (50.0 + PROBE_OHM_PER_FACTOR * (truth.probe_factor - 1.0))
        gain *= 1.0 + truth.range_gain_error(setting.volts_per_division, seed, setting.number)
        step_v = setting.volts_per_division * setting.divisions / 2**self.bits
        at_input = volts * gain
        if truth.open_ground_hum_v:
            at_input = at_input + lines(
                [(50.0, truth.open_ground_hum_v)], record.trigger_ns, self.sample_times_s(record)
            )
        if setting.coupling == "AC":  # a slow high-pass, taken as the mean of the record
            at_input = at_input - float(np.mean(at_input))
        noise_steps = np.sqrt(self._truth.noise_steps**2 + (noise_v * (abs(gain) / step_v)) ** 2)
        draws = normals(record.points, seed, self._instrument, setting.number, record.trigger_ns)
        steps = (at_input + truth.offset_error_v - setting.offset_v) / step_v + noise_steps * draws
        half = 2 ** (self.bits - 1)
        codes: Codes = np.minimum(np.maximum(np.rint(steps), -half), half - 1).astype(np.int32)
        return codes


def range_at_least(wanted: float, ranges: tuple[float, ...]) -> float | None:
    """The smallest range that is not below `wanted`; None above the largest."""
    return next((r for r in ranges if r >= wanted * (1.0 - 1e-9)), None)


def one_two_five(low: float, high: float) -> tuple[float, ...]:
    """Ranges in 1-2-5 order from `low` to `high`, both included."""
    first, last = math.floor(math.log10(low)), math.ceil(math.log10(high))
    steps = [float(f"{digit}e{power}") for power in range(first, last + 1) for digit in (1, 2, 5)]
    return tuple(s for s in steps if low * 0.999 <= s <= high * 1.001)
