"""A body that warms by constant power: one thermal resistance, one heat capacity, fitted to readings. Pure.

T(t) = Tend + (T0 - Tend) exp(-t / tau), tau = RC (closed form of one RC). At a given tau it is linear in the two
temperatures, so only tau is searched for (separable least squares).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]

LEAST_READINGS = 8
GRID, ROUNDS = 48, 60
GOLDEN = (math.sqrt(5.0) - 1.0) / 2.0
LONGEST_SPANS = 20.0  # a tau so many times the readings' span is a straight line: no end can be told


@dataclass(frozen=True)
class Warming:
    """start_c: at t = 0; end_c: at rest; tau_s: time constant. left_rms_k: what the fit leaves over.

    end_u_k, tau_u_s: standard uncertainties from the scatter of the readings alone.
    """

    start_c: float
    end_c: float
    tau_s: float
    left_rms_k: float
    end_u_k: float
    tau_u_s: float
    span_s: float

    def at(self, t_s: float) -> float:
        """degC at t_s."""
        return self.end_c + (self.start_c - self.end_c) * math.exp(-t_s / self.tau_s)

    @property
    def reached(self) -> float:
        """Part of the way to rest that the readings cover, 0 to 1."""
        return -math.expm1(-self.span_s / self.tau_s)


def fit_warming(times_s: Real, celsius: Real) -> Warming | None:
    """Least squares over times_s, celsius: shape (n,), s and degC, rising times.

    None below eight readings, and where they are too straight or too restless for a time constant to be told.
    """
    if times_s.size < LEAST_READINGS or not float(np.ptp(celsius)) > 0.0:
        return None
    times = times_s - times_s[0]
    span_s = float(times[-1])
    tau_s = _best_tau(times, celsius, span_s)
    if not span_s / 100.0 < tau_s < LONGEST_SPANS * span_s * 0.98:
        return None
    end_c, minus_rise_k, left = _linear(times, celsius, tau_s)
    rms_k = math.sqrt(left / times.size)
    tau_u_s, end_u_k = _standard(times, tau_s, minus_rise_k, left)
    # back from the first reading to t = 0
    start_c = end_c + minus_rise_k * math.exp(float(times_s[0]) / tau_s)
    return Warming(start_c, end_c, tau_s, rms_k, end_u_k, tau_u_s, span_s + float(times_s[0]))


def _best_tau(times: Real, celsius: Real, span_s: float) -> float:
    """A coarse grid in ln tau, then golden section around its best."""
    grid = np.linspace(math.log(span_s / 200.0), math.log(LONGEST_SPANS * span_s), GRID)
    left = [_linear(times, celsius, math.exp(x))[2] for x in grid]
    best = int(np.argmin(left))
    low, high = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, GRID - 1)])
    for _ in range(ROUNDS):
        a, b = high - GOLDEN * (high - low), low + GOLDEN * (high - low)
        if _linear(times, celsius, math.exp(a))[2] <= _linear(times, celsius, math.exp(b))[2]:
            high = b
        else:
            low = a
    return math.exp((low + high) / 2.0)


def _linear(times: Real, celsius: Real, tau_s: float) -> tuple[float, float, float]:
    """(end, start - end, sum of squares left) at a known tau: a straight line over exp(-t/tau), about the means."""
    x = np.exp(-times / tau_s)
    x_mean, y_mean = float(x.mean()), float(celsius.mean())
    dx, dy = x - x_mean, celsius - y_mean
    slope = float(dx @ dy) / float(dx @ dx)
    left = dy - slope * dx
    return y_mean - slope * x_mean, slope, float(left @ left)


def _standard(times: Real, tau_s: float, minus_rise_k: float, left: float) -> tuple[float, float]:
    """(tau, end): square roots of the diagonal of s^2 (J^T J)^-1 at the solution (least squares, textbook)."""
    decay = np.exp(-times / tau_s)
    slopes = np.column_stack([np.ones_like(times), decay, minus_rise_k * decay * times / tau_s**2])
    spread = left / (times.size - 3) * np.linalg.pinv(slopes.T @ slopes)
    return math.sqrt(max(float(spread[2, 2]), 0.0)), math.sqrt(max(float(spread[0, 0]), 0.0))
