"""The internal rail under load: tau dV/dt = V0 - Rs i(t) - V, i = sum of |v_out| / R over the channels.

v_out depends on V where the output clips, so the equation is solved by going round: v_out from V, i from v_out, V
from i by an exact first-order filter (i taken as straight between grid points), until V rests. Where the
supply's current limit cuts in, or the rounds do not come to rest, it is walked point by point instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from simulators.world.noise import Samples
from simulators.world.path import Path
from simulators.world.relax import relaxed

REST = 1e-11  # of V0: the rounds have come to rest
MOST_ROUNDS = 40


@dataclass(frozen=True)
class Grid:
    """Instants 0, dt, ... points * dt; later times repeat the last `period_points` of them."""

    dt_s: float
    points: int
    period_points: int

    @property
    def times_s(self) -> Samples:
        return np.arange(self.points + 1, dtype=np.float64) * self.dt_s

    @property
    def end_s(self) -> float:
        return self.points * self.dt_s

    @property
    def period_s(self) -> float:
        return self.period_points * self.dt_s

    def folded(self, t_s: Samples) -> Samples:
        """The instant of the grid that stands for each time."""
        if t_s.size == 0 or float(t_s[-1]) <= self.end_s:
            return t_s
        beyond = self.end_s - self.period_s + np.mod(t_s - self.end_s, self.period_s)
        return np.where(t_s <= self.end_s, t_s, beyond)

    def value(self, on_grid: Samples, t_s: Samples) -> Samples:
        """Straight lines between the grid's points."""
        place = self.folded(t_s) / self.dt_s
        index = np.minimum(place.astype(np.int64), self.points - 1)
        low = on_grid[index]
        return np.asarray(low + (on_grid[index + 1] - low) * (place - index))

    def integral(self, cumulative: Samples, t_s: float) -> float:
        """Integral from 0 to `t_s`, from its values on the grid."""
        if t_s <= self.end_s:
            return float(self.value(cumulative, np.array([t_s]))[0])
        whole, rest_s = divmod(t_s - self.end_s, self.period_s)
        last = float(cumulative[-1])
        before = float(cumulative[-1 - self.period_points])
        part = float(self.value(cumulative, np.array([self.end_s - self.period_s + rest_s]))[0]) - before
        return last + whole * (last - before) + part

    def summed(self, on_grid: Samples) -> Samples:
        """Running integral (trapezium rule), one value a point."""
        steps = 0.5 * (on_grid[1:] + on_grid[:-1]) * self.dt_s
        return np.concatenate(([0.0], np.cumsum(steps)))


@dataclass(frozen=True)
class Source:
    """What feeds the rail: V0 behind Rs with time constant tau; cap_a: the most it can give, infinite if free."""

    no_load_v: float
    ohm: float
    tau_s: float
    cap_a: float = math.inf

    @property
    def farad(self) -> float:
        return self.tau_s / self.ohm


def rail_volts(source: Source, paths: list[Path], grid: Grid, start_v: float) -> Samples:
    """Rail volts on the grid, from `start_v`."""
    if source.ohm == 0.0:
        return np.full(grid.points + 1, source.no_load_v)
    if math.isinf(source.cap_a):
        settled = _in_rounds(source, paths, grid, start_v)
        if settled is not None:
            return settled
    return _walked(source, paths, grid, start_v)


def _in_rounds(source: Source, paths: list[Path], grid: Grid, start_v: float) -> Samples | None:
    volts = np.full(grid.points + 1, start_v)
    for _ in range(MOST_ROUNDS):
        amps = sum((path.rail_amps(volts) for path in paths), np.zeros_like(volts))
        after = relaxed(source.no_load_v - source.ohm * amps, start_v, grid.dt_s / source.tau_s)
        moved = float(np.max(np.abs(after - volts)))
        volts = after
        if moved <= REST * source.no_load_v:
            return volts
    return None


def _walked(source: Source, paths: list[Path], grid: Grid, start_v: float) -> Samples:
    """Heun's method, point by point."""
    live = [path.taker() for path in paths if path.takes]

    def slope(volts: float, k: int) -> float:
        amps = sum(take(k, volts) for take in live)
        given = min((source.no_load_v - volts) / source.ohm, source.cap_a)
        return (given - amps) / source.farad

    volts = [start_v]
    for k in range(grid.points):
        here = volts[-1]
        first = slope(here, k)
        second = slope(max(here + first * grid.dt_s, 0.0), k + 1)
        volts.append(max(here + 0.5 * (first + second) * grid.dt_s, 0.0))
    return np.array(volts)
