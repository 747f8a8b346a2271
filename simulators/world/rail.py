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
LONGEST_BLOCK = 65_536  # where nothing clips


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

    def part(self, from_s: float, to_s: float) -> Part:
        """The least of the grid that tells all between two times."""
        if from_s >= self.end_s:
            first, last = self.points - self.period_points, self.points
        elif from_s >= 0.0 and to_s <= self.end_s:
            first = min(int(from_s / self.dt_s), self.points - 1)
            last = min(int(to_s / self.dt_s), self.points - 1) + 1
        else:
            first, last = 0, self.points
        return Part(Grid(self.dt_s, last - first, min(self.period_points, last - first)), first)


@dataclass(frozen=True)
class Part:
    """A stretch of a grid as a grid of its own. first: its first point in the whole one."""

    grid: Grid
    first: int

    @property
    def points(self) -> slice:
        return slice(self.first, self.first + self.grid.points + 1)

    @property
    def from_s(self) -> float:
        return self.first * self.grid.dt_s


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
    if settled is not None:
        return settled.volts
    volts = _in_blocks(source, [path.as_resistance() for path in paths], grid, start_v)
    return _walked(source, paths, grid, start_v) if volts is None else volts


def _in_blocks(source: Source, paths: list[Path], grid: Grid, start_v: float) -> Samples | None:
    """Rounds over one short stretch after another: each needs few, and its arrays stay small. None if even the
    shortest stretch does not come to rest. paths: momentary.
    """
    volts = np.full(grid.points + 1, start_v)
    usual = _block_points(source, grid)
    block, first = usual, 0
    while first < grid.points:
        if block < LEAST_BLOCK:
            return None
        last = min(first + block, grid.points)
        parts = [path.part(first, last) for path in paths]
        settled = _in_rounds(source, parts, grid.dt_s, _guess(volts, grid, first, last))
        if settled is None:
            block = usual = block // 4
            continue
        volts[first : last + 1] = settled.volts
        first = last
        block = min(2 * block, LONGEST_BLOCK) if settled.at_once else usual
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


@dataclass(frozen=True)
class _Settled:
    """at_once: what is taken did not hang on the volts, so that one round was enough."""

    volts: Samples
    at_once: bool = False


def _in_rounds(source: Source, paths: list[Path], dt_s: float, guess_v: Samples) -> _Settled | None:
    """From the first of `guess_v`; None if it does not come to rest."""
    volts, start_v = guess_v, float(guess_v[0])
    moves: list[float] = []
    before: Samples | None = None
    for _ in range(MOST_ROUNDS):
        amps = _taken(paths, volts)
        if before is not None and math.isinf(source.cap_a) and np.array_equal(amps, before):
            return _Settled(volts, at_once=len(moves) == 1)
        before = amps
        after = relaxed(_toward(source, volts, amps), start_v, dt_s / source.tau_s)
        moves.append(float(np.max(np.abs(after - volts))))
        volts = after
        if moves[-1] <= REST * source.no_load_v:
            return _Settled(volts)
        if len(moves) > SLOW_ROUNDS and moves[-1] > 0.3 * moves[-1 - SLOW_ROUNDS]:
            return None
    return None


def _taken(paths: list[Path], volts: Samples) -> Samples:
    """Amps out of the rail for all of them."""
    first, *others = (path.rail_amps(volts) for path in paths)
    return sum(others, first)


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
