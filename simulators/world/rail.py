"""The internal rail under load: tau dV/dt = V0 - Rs i(t) - V, i = sum of |v_out| / R over the channels.

v_out depends on V where the output clips, so the equation is solved by going round: v_out from V, i from v_out, V
from i by an exact first-order filter (i taken as straight between grid points), until V rests. The supply's current
limit caps what the source gives. Then, or where the rounds do not come to rest, loads that remember are taken as
resistances; what is left is walked point by point.
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
SLOW_ROUNDS = 8  # without coming much nearer: then it will not come to rest in all of them
LEAST_BLOCK, MOST_BLOCK = 32, 16_384  # points of a stretch that is solved at once


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
    settled = None
    if math.isinf(source.cap_a) and not all(path.momentary for path in paths):
        settled = _in_rounds(source, paths, grid.dt_s, np.full(grid.points + 1, start_v))
    if settled is None:
        settled = _in_blocks(source, [path.as_resistance() for path in paths], grid, start_v)
    return _walked(source, paths, grid, start_v) if settled is None else settled


def _in_blocks(source: Source, paths: list[Path], grid: Grid, start_v: float) -> Samples | None:
    """Rounds over one short stretch after another: each needs few, and its arrays stay small. None if even the
    shortest stretch does not come to rest. paths: momentary.
    """
    volts = np.full(grid.points + 1, start_v)
    block, first = _block_points(source, grid), 0
    while first < grid.points:
        if block < LEAST_BLOCK:
            return None
        last = min(first + block, grid.points)
        parts = [path.part(first, last) for path in paths]
        settled = _in_rounds(source, parts, grid.dt_s, _guess(volts, grid, first, last))
        if settled is None:
            block //= 4
            continue
        volts[first : last + 1] = settled
        first = last
    return volts


def _block_points(source: Source, grid: Grid) -> int:
    """A source at its cap does not hold the rail, so the rounds come to rest in stretches well below tau only."""
    points = source.tau_s / grid.dt_s
    return int(min(max(points, 2048) if math.isinf(source.cap_a) else 0.5 * points, MOST_BLOCK))


def _guess(volts: Samples, grid: Grid, first: int, last: int) -> Samples:
    """As it went whole periods ago, from where the rail stands now; at first as if it stood still."""
    ago = grid.period_points * math.ceil((last - first) / grid.period_points)
    if first < ago:
        return np.full(last - first + 1, volts[first])
    then = volts[first - ago : last - ago + 1]
    return np.asarray(then + (volts[first] - then[0]))


def _in_rounds(source: Source, paths: list[Path], dt_s: float, guess_v: Samples) -> Samples | None:
    """From the first of `guess_v`; None if it does not come to rest."""
    volts, start_v = guess_v, float(guess_v[0])
    moves: list[float] = []
    for _ in range(MOST_ROUNDS):
        amps = sum((path.rail_amps(volts) for path in paths), np.zeros_like(volts))
        after = relaxed(_toward(source, volts, amps), start_v, dt_s / source.tau_s)
        moves.append(float(np.max(np.abs(after - volts))))
        volts = after
        if moves[-1] <= REST * source.no_load_v:
            return volts
        if len(moves) > SLOW_ROUNDS and moves[-1] > 0.3 * moves[-1 - SLOW_ROUNDS]:
            return None
    return None


def _toward(source: Source, volts: Samples, amps: Samples) -> Samples:
    """u of tau V' = u - V = min(V0 - V, Rs cap) - Rs i."""
    free = source.no_load_v - source.ohm * amps
    if math.isinf(source.cap_a):
        return free
    return np.asarray(free - np.maximum(source.no_load_v - volts - source.ohm * source.cap_a, 0.0))


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
