"""What lies on an output beside the signal: hum, the carrier of a switching stage, oscillation on the crests.

Added where a wire is read. None of it loads the rail or counts in the energy: at most some ten milliwatts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from simulators.world.channel_truth import ContactTruth, ResidueTruth
from simulators.world.noise import Samples
from simulators.world.sines import sine

CREST_V = 0.02  # of the onset: how gradually an oscillation sets in


def lines(pairs: Iterable[tuple[float, float]], from_ns: int, t_s: Samples) -> Samples:
    """Sum of sines (Hz, peak V) that run through all time, at `from_ns` + `t_s`."""
    total = np.zeros_like(t_s)
    for hz, peak_v in pairs:
        begun_rad = 2.0 * math.pi * math.fmod(hz * from_ns * 1e-9, 1.0)
        total += peak_v * sine(2.0 * math.pi * hz, begun_rad, t_s)
    return total


def residue(truth: ResidueTruth, out_v: Samples, from_ns: int, t_s: Samples) -> Samples:
    """Volts to add to `out_v`."""
    total = lines([*truth.hum_v, (truth.carrier_hz, truth.carrier_v)], from_ns, t_s)
    if truth.oscillation_v and math.isfinite(truth.oscillates_above_v):
        onset_v = truth.oscillates_above_v
        part = np.clip((np.abs(out_v) - onset_v) / (CREST_V * onset_v), 0.0, 1.0)
        total += part * lines([(truth.oscillation_hz, truth.oscillation_v)], from_ns, t_s)
    return total


def through(contact: ContactTruth, out_v: Samples, from_ns: int, t_s: Samples) -> Samples:
    """Volts behind a contact that opens again and again, by the clock: what it leaves of `out_v` while it is open."""
    since_s = np.fmod(from_ns * 1e-9 + t_s, contact.opens_every_s)
    return np.asarray(np.where(since_s < contact.opens_for_s, contact.leaves * out_v, out_v))
