"""Units read through samples: each shot is a wave of whole cycles, with noise, quantised, and its THD by numpy's FFT.

The floor handed over is that of noise and quantiser with the generator off, on the range in use: step / sqrt(12) and
the noise, spread evenly over N/2 lines (white noise; common practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from sequencer.measurements.search_model import Reading
from tests.sequencer.search_units import (
    GAIN_DB,
    HARMONICS,
    SHAPES,
    Shape,
    Unit,
    shaped,
    thd_and_fundamental,
    unit,
)

CYCLES, SAMPLES = 4, 512
RANGES_V = (0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0)  # crest 1 is the clip's onset


@dataclass(frozen=True)
class Digitiser:
    bits: int
    noise_steps: float


@dataclass
class SampledUnit(Unit):
    """A unit whose readings come from samples; the curve only says where the truth is."""

    shape: Shape = field(default=np.sign)
    digitiser: Digitiser = field(default=Digitiser(12, 0.5))

    def _read(self, level_db: float, thd: float, output_db: float) -> Reading:
        crest = 10.0 ** (self.drive_db(level_db) / 20.0)
        phase = self.rng.uniform(0.0, 2.0 * math.pi)
        angle = np.arange(SAMPLES) * 2.0 * math.pi * CYCLES / SAMPLES + phase
        wave = self.shape(crest * np.sin(angle))
        full = next(r for r in RANGES_V if r >= 1.1 * min(crest, 1.3))
        step = 2.0 * full / 2**self.digitiser.bits
        noise_v = step * self.digitiser.noise_steps
        seen = np.clip(np.round((wave + noise_v * self.rng.standard_normal(SAMPLES)) / step) * step, -full, full)
        ratio, fundamental = (float(x) for x in thd_and_fundamental(seen, CYCLES))
        line_v2 = (noise_v**2 + step**2 / 12.0) * 4.0 / SAMPLES  # mean square crest of one line
        floor = math.sqrt((HARMONICS - 1) * line_v2) / fundamental
        sigma = math.sqrt(line_v2 / 2.0) / fundamental
        output = level_db + GAIN_DB + 20.0 * math.log10(fundamental / crest)
        return Reading(level_db, ratio, floor, sigma, output, even=self.even)


def sampled(kind: str, seed: int) -> SampledUnit:
    """The same unit as `unit(kind, seed)`, read through a digitiser of 8 to 14 bits."""
    plain = unit(kind, seed)
    bits = 8 if kind == "8-bit floor" else int(plain.rng.integers(10, 15))
    shape, _ = shaped(kind, seed % SHAPES.get(kind, 1))
    kept = {name: getattr(plain, name) for name in Unit.__dataclass_fields__}
    return SampledUnit(**kept, shape=shape, digitiser=Digitiser(bits, float(plain.rng.uniform(0.3, 0.8))))
