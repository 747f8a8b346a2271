"""On which side an output clips, and whether it clips at all or is held back with round crests."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from sequencer.analysis.clipping import CrestFlatness, Shape, crest_shape
from sequencer.analysis.harmonics import HarmonicFit
from sequencer.analysis.noise import below_floor, thd_floor

LIMITED_FROM_DB = 0.5  # of gain lost with round crests (our own judgement)

Where = Literal["both", "positive", "negative", "none", "can't tell"]
Cause = Literal["clipped", "limited", "neither", "can't tell"]


@dataclass(frozen=True)
class ClipSides:
    """even, odd: ratio of the even and of the odd harmonics 2..K to the fundamental, noise in them; even_floor: rms
    of `even` that a clean tone would show; offset: mean of the wave over its peak fundamental, which a one-sided clip
    moves away from the clipped side; positive, negative: the crests; evens: how many even harmonics."""

    positive: Shape
    negative: Shape
    even: float
    odd: float
    even_floor: float
    offset: float
    evens: int

    @property
    def where(self) -> Where:
        """Which crests are flat."""
        if "can't tell" in (self.positive, self.negative):
            return "can't tell"
        if self.positive == self.negative:
            return "both" if self.positive == "flat" else "none"
        return "positive" if self.positive == "flat" else "negative"

    @property
    def uneven(self) -> bool:
        """Whether even harmonics stand above their floor: the halves of the wave differ, clipped or not."""
        return not below_floor(self.even, self.even_floor, self.evens + 1)


def clip_sides(fit: HarmonicFit, flatness: CrestFlatness, band_over_frequency: float, step_v: float) -> ClipSides:
    """band_over_frequency: harmonics that pass the whole chain; step_v: V per code (0: no converter)."""
    ratios = np.abs(fit.phasors) / fit.amplitude_v if fit.amplitude_v > 0.0 else np.zeros(fit.harmonics)
    evens = ratios[1::2]
    return ClipSides(
        positive=crest_shape(flatness.positive, flatness.positive_u, band_over_frequency),
        negative=crest_shape(flatness.negative, flatness.negative_u, band_over_frequency),
        even=float(np.linalg.norm(evens)),
        odd=float(np.linalg.norm(ratios[2::2])),
        even_floor=thd_floor(fit.residual_rms_v, fit.amplitude_v, fit.samples, evens.size + 1, step_v),
        offset=fit.offset_v / fit.amplitude_v if fit.amplitude_v > 0.0 else math.nan,
        evens=int(evens.size),
    )


def clipped_or_limited(sides: ClipSides, gain_loss_db: float) -> Cause:
    """A flat crest is a clip, whatever the gain; round crests with half a decibel of gain lost mean that something
    holds the level back. gain_loss_db: of the fundamental against its gain far below, dB."""
    if "flat" in (sides.positive, sides.negative):
        return "clipped"
    if sides.where == "can't tell":
        return "can't tell"
    return "limited" if gain_loss_db >= LIMITED_FROM_DB else "neither"
