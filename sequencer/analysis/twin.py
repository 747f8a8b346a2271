"""The scaled twin: what a shot has beyond the same burst at a harmless level.

One or a few cycles behind coupling capacitors differ from a sine on a perfect unit. The same burst some 12 dB
lower, scaled and turned to the shot's fundamental, holds all of that; what remains is the unit's own.
"""

from __future__ import annotations

import math

import numpy as np

from sequencer.analysis.harmonics import HarmonicFit
from sequencer.analysis.noise import thd_floor


def twin_residual(
    shot: HarmonicFit, twin: HarmonicFit, step_v: float, *, twin_step_v: float | None = None, twins: int = 1
) -> tuple[float, float]:
    """(residual, its floor), ratios to the shot's fundamental, of harmonics 2..K.

    The twin's n-th phasor is scaled by the ratio of the fundamentals and turned by n times its angle, which is a
    shift in time: both bursts may lie anywhere in their records. step_v: V per code of the shot; twin_step_v: of
    the twin, absent: re-ranged to the like fill; twins: how many were averaged. The floors of both add as powers
    (a factor sqrt(1 + 1/m) at like fill). Without a fundamental: 0 and an infinite floor.
    """
    if shot.amplitude_v == 0.0 or twin.amplitude_v == 0.0:
        return 0.0, math.inf
    k = min(shot.harmonics, twin.harmonics)
    ratio = complex(shot.phasors[0] / twin.phasors[0])
    turn = ratio / abs(ratio)
    expected = twin.phasors[:k] * abs(ratio) * turn ** np.arange(1, k + 1)
    beyond = shot.phasors[1:k] - expected[1:]
    own_step_v = step_v / abs(ratio) if twin_step_v is None else twin_step_v
    own = thd_floor(shot.residual_rms_v, shot.amplitude_v, shot.samples, k, step_v)
    twins_floor = thd_floor(twin.residual_rms_v, twin.amplitude_v, twin.samples, k, own_step_v) / math.sqrt(twins)
    return float(np.linalg.norm(beyond)) / shot.amplitude_v, math.hypot(own, twins_floor)
