"""Waves for the analysis tests, written from closed forms here, and an ideal converter in front of them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.records import Record

Real = NDArray[np.float64]
Wave = Callable[[Real], Real]


def burst(frequency_hz: float, cycles: int, corner_hz: float = 0.0) -> Wave:
    """Sine burst of unit peak that starts at zero, behind a first-order high-pass from rest (closed form)."""

    def from_rest(times: Real) -> Real:
        turn, a = 2.0 * np.pi * frequency_hz * times, corner_hz / frequency_hz
        fading = np.exp(-2.0 * np.pi * corner_hz * np.maximum(times, 0.0))
        settled = np.sin(turn) + a * np.cos(turn) - a * fading
        return np.where(times >= 0.0, settled / (1.0 + a * a), 0.0)

    return lambda times: from_rest(times) - from_rest(times - cycles / frequency_hz)


def clipped(wave: Wave, low: float, high: float, drive: float = 1.0) -> Wave:
    return lambda times: np.clip(drive * wave(times), low, high)


class Converter:
    """Ideal converter: even steps over +-full_scale, `noise_steps` rms before them (None: no steps at all)."""

    def __init__(self, bits: int | None, full_scale_v: float, noise_steps: float = 0.3, seed: int = 1) -> None:
        self.bits, self.full_scale_v, self.noise_steps = bits, full_scale_v, noise_steps
        self.random = np.random.default_rng(seed)

    @property
    def step_v(self) -> float:
        return 2.0 * self.full_scale_v / 2.0**self.bits if self.bits else 0.0

    def __call__(self, volts: Real) -> Real:
        if not self.bits:
            return volts
        noise = self.noise_steps * self.random.standard_normal(volts.size)
        return np.rint(volts / self.step_v + noise) * self.step_v

    def record(
        self,
        wave: Wave,
        frequency_hz: float,
        cycles: int,
        *,
        per_cycle: float = 1000.0,
        before: float = 0.2,
        after: float = 0.3,
        phase: float = 0.0,
        clock_ppm: float = 0.0,
    ) -> Record:
        """before, after: silence in cycles; phase: of the sampling, in samples; clock_ppm: how much later than
        told it samples.
        """
        dt = 1.0 / (frequency_hz * per_cycle)
        times = -before / frequency_hz + (np.arange(int((cycles + before + after) * per_cycle)) + phase) * dt
        volts = self(wave(np.asarray(times * (1.0 + 1e-6 * clock_ppm), dtype=np.float64)))
        return Record(volts, dt, float(times[0]), self.step_v, self.full_scale_v, False, self.bits or 0)


def whole_cycles(wave_of_angle: Wave, samples: int = 1 << 16) -> Real:
    """One cycle, evenly sampled, of a wave given over its angle in rad."""
    angles = np.linspace(0.0, 2.0 * np.pi, samples, endpoint=False, dtype=np.float64)
    return wave_of_angle(angles)
