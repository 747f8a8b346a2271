"""What a capture hands to the analysis: volts of one input over one shot, with what is known of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Volts = NDArray[np.float64]


@dataclass(frozen=True)
class Record:
    """One input's samples of one shot.

    volts: shape (n,), V at the unit's terminals (the probe factor is applied). sample_interval_s: s, as the
    digitiser reports it (its own clock). start_s: s, time of the first sample relative to the trigger (negative:
    before it). step_v: V per code (one least significant bit, after the probe factor). full_scale_v: V, the
    largest magnitude the range can show, after the probe factor. overloaded: a sample lies at an end code: the
    capture is void, and that is never called clipping. bits: bits of the converter. codes, volts_per_code,
    volts_at_zero: the word as fetched, volts = volts_at_zero + codes x volts_per_code; None where the samples
    never were codes.
    """

    volts: Volts
    sample_interval_s: float
    start_s: float
    step_v: float
    full_scale_v: float
    overloaded: bool
    bits: int
    codes: NDArray[np.int32] | None = None
    volts_per_code: float = 0.0
    volts_at_zero: float = 0.0

    @property
    def times_s(self) -> Volts:
        """shape (n,), s relative to the trigger."""
        return self.start_s + self.sample_interval_s * np.arange(self.volts.size, dtype=np.float64)
