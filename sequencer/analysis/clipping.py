"""Whether crests are flat: evidence of clipping apart from distortion, one value per polarity.

Flatness kappa: within 12 degrees about the fitted crest, the sum of (x^2 - its mean) y over the same sum for the
fitted cosine. A sine gives 1, a flat top 0; tilt and offset drop out. A record with samples at an end code is void
before any of this.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.hard_clip import (
    fundamental,
    hard_clip_gain_loss_db,
    hard_clip_overdrive_db,
    hard_clip_thd,
    thd_ratio,
)
from sequencer.analysis.harmonics import HarmonicFit

__all__ = [
    "CrestFlatness",
    "crest_flatness",
    "crest_shape",
    "hard_clip_flatness",
    "hard_clip_gain_loss_db",
    "hard_clip_overdrive_db",
    "hard_clip_thd",
    "thd_ratio",
]

HALF_RAD = math.radians(12.0)
FLAT_BELOW = 0.5
LEAST_BAND = 19.0  # harmonics that must pass: to the 9th a clip of 1 % THD still looks half round
MOST_U = 1.0 / 6.0  # with more, neither a flat crest (0) nor a round one (1) stands three u clear of one half
LEAST_SAMPLES = 5
NOISE_FACTOR = 6.7  # u(kappa) = 6.7 (s/A) / (x0^2 sqrt n)
STEP_FACTOR = 12.0  # and 12 steps/A where no noise dithers the converter

Shape = Literal["flat", "round", "can't tell"]


@dataclass(frozen=True)
class CrestFlatness:
    """kappa of both crests and its standard uncertainty.

    samples: within 12 degrees, of the sparser polarity.
    """

    positive: float
    negative: float
    positive_u: float
    negative_u: float
    samples: int


def crest_flatness(volts: Real, times_s: Real, fit: HarmonicFit, step_v: float = 0.0) -> CrestFlatness:
    """kappa of every crest of that polarity in the samples together; volts, times_s: shape (n,).

    step_v: V per code; counted where the residual is below a third of it. ValueError with fewer than 5 samples in
    a crest.
    """
    turns = fit.frequency_hz * times_s + float(np.angle(fit.phasors[0])) / (2.0 * np.pi)
    positive, positive_u, n_positive = _one(volts, turns, fit, step_v)
    negative, negative_u, n_negative = _one(-volts, turns + 0.5, fit, step_v)
    return CrestFlatness(positive, negative, positive_u, negative_u, min(n_positive, n_negative))


def _one(volts: Real, turns: Real, fit: HarmonicFit, step_v: float) -> tuple[float, float, int]:
    """turns: of the fundamental, whole ones at the crests."""
    x = 2.0 * np.pi * (turns - np.rint(turns))
    near = np.abs(x) <= HALF_RAD
    count = int(near.sum())
    if count < LEAST_SAMPLES:
        raise ValueError("too few samples in a crest")
    curve = x[near] ** 2 - np.mean(x[near] ** 2)
    amplitude = fit.amplitude_v
    kappa = float(curve @ volts[near]) / float(curve @ (amplitude * np.cos(x[near])))
    u = NOISE_FACTOR * fit.residual_rms_v / amplitude / (HALF_RAD**2 * math.sqrt(count))
    if fit.residual_rms_v < step_v / 3.0:
        u = math.hypot(u, STEP_FACTOR * step_v / amplitude)
    return kappa, u, count


def crest_shape(kappa: float, u: float, band_over_frequency: float) -> Shape:
    """Flat, round or can't tell, two standard uncertainties clear of one half; the band must hold 19 harmonics, and
    u must not exceed a sixth: beyond, a few codes make a crest, and one in 1,000 round ones would look flat."""
    if band_over_frequency < LEAST_BAND or u > MOST_U:
        return "can't tell"
    if kappa + 2.0 * u < FLAT_BELOW:
        return "flat"
    return "round" if kappa - 2.0 * u > FLAT_BELOW else "can't tell"


def hard_clip_flatness(r: float) -> float:
    """kappa of a sine clipped at r of its peak, noise-free.

    With a = arccos r below x0: [r (a^3 - a x0^2)/3 + G(x0) - G(a)] / (b1 G(x0)), where G(x) = (x^2 - x0^2/3) sin x
    + 2 x cos x - 2 sin x and b1 is the clipped fundamental; 0 from x0 on.
    """
    a = math.acos(r)
    if a >= HALF_RAD:
        return 0.0
    b1 = float(fundamental(np.array([r]))[0])
    flat = r * (a**3 - a * HALF_RAD**2) / 3.0
    return (flat + _bend(HALF_RAD) - _bend(a)) / (b1 * _bend(HALF_RAD))


def _bend(x: float) -> float:
    return (x * x - HALF_RAD**2 / 3.0) * math.sin(x) + 2.0 * x * math.cos(x) - 2.0 * math.sin(x)
