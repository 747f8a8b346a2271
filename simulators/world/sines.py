"""Sines over many instants. Evenly spaced ones, which grids and converters give, cost two products each."""

from __future__ import annotations

import numpy as np

from simulators.world.noise import Samples

RUN = 512
UNEVEN = 4e-15  # of the last instant: what rounding leaves of even distances


def sine(omega: float, phase_rad: float, t_s: Samples) -> Samples:
    """sin(omega t + phase), any shape of one dimension.

    Evenly spaced: sin(a + b) = sin a cos b + cos a sin b, a at the first of each 512 instants, b within them: so the
    error is that of rounding omega t, as with the function itself.
    """
    step_s = _step_s(t_s)
    if step_s is None:
        return np.asarray(np.sin(omega * t_s + phase_rad))
    first_rad = omega * t_s[::RUN, None] + phase_rad
    within_rad = omega * step_s * np.arange(RUN)
    out = np.sin(first_rad) * np.cos(within_rad)
    out += np.cos(first_rad) * np.sin(within_rad)
    return np.asarray(out.reshape(-1)[: t_s.size])


def _step_s(t_s: Samples) -> float | None:
    """The distance between instants, if it is the same everywhere and there are enough of them."""
    if t_s.size < 4 * RUN:
        return None
    steps_s = np.diff(t_s)
    spread_s = float(np.max(steps_s)) - float(np.min(steps_s))
    if spread_s > UNEVEN * max(abs(float(t_s[0])), abs(float(t_s[-1]))):
        return None
    return float(t_s[-1] - t_s[0]) / (t_s.size - 1)
