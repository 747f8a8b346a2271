"""Integrals from the start of a grid to any instant, quick to ask again and again."""

from __future__ import annotations

import numpy as np

from simulators.world.noise import Samples
from simulators.world.rail import Grid

RUN = 512


class Running:
    """Trapezium rule; between points the integral grows in a straight line, beyond the grid the last period repeats.

    Held as the sums of runs of 512 points: a sum is several times as quick as one running value a point.
    """

    def __init__(self, grid: Grid, on_grid: Samples) -> None:
        self._grid = grid
        self._steps = on_grid[1:] + on_grid[:-1]
        self._steps *= 0.5 * grid.dt_s
        whole = grid.points - grid.points % RUN
        runs = self._steps[:whole].reshape(-1, RUN).sum(axis=1)
        self._before: list[float] = [0.0, *np.cumsum(runs).tolist()]
        self._last = self._at(grid.points)

    def to(self, t_s: float) -> float:
        """Integral from 0 to `t_s`."""
        grid = self._grid
        if t_s <= grid.end_s:
            return self._inside(t_s)
        whole, rest_s = divmod(t_s - grid.end_s, grid.period_s)
        before = self._at(grid.points - grid.period_points)
        part = self._inside(grid.end_s - grid.period_s + rest_s) - before
        return self._last + whole * (self._last - before) + part

    def between(self, from_s: float, to_s: float) -> float:
        return self.to(to_s) - self.to(from_s)

    def _inside(self, t_s: float) -> float:
        place = t_s / self._grid.dt_s
        index = min(int(place), self._grid.points - 1)
        return self._at(index) + float(self._steps[index]) * (place - index)

    def _at(self, point: int) -> float:
        run = point // RUN
        return self._before[run] + float(self._steps[run * RUN : point].sum())
