"""Quick ways of the world against plain ones: sines by addition of angles, integrals by runs, stretches of a grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid

from simulators.world import rail
from simulators.world.rail import Grid, Source, rail_volts
from simulators.world.running import Running
from simulators.world.sines import sine
from tests.simulators.test_world_rail_blocks import FREQUENCY_HZ, NO_LOAD_V, SOURCE_OHM, TAU_S, paths_of, residual_v


@pytest.mark.parametrize("hz", [50.0, 1000.0, 20e3, 410e3])
@pytest.mark.parametrize("first_s", [0.0, -0.01, 9.97])
def test_sines_of_even_instants(hz: float, first_s: float) -> None:
    """numpy.sin itself, within the rounding of its own argument: 3 ulp of omega t."""
    t_s = first_s + 1e-6 * (np.arange(100_001) + 0.37)
    omega = 2.0 * math.pi * hz
    error = np.max(np.abs(sine(omega, 0.3, t_s) - np.sin(omega * t_s + 0.3)))
    assert error <= 3.0 * np.spacing(omega * float(np.max(np.abs(t_s))) + 1.0) + 1e-15


def test_sines_of_uneven_instants() -> None:
    """One sample out of its place is enough to be taken one by one: numpy.sin to the last bit."""
    t_s = 1e-6 * np.arange(5000)
    t_s[2500] += 1e-7
    assert np.array_equal(sine(6283.0, 0.1, t_s), np.sin(6283.0 * t_s + 0.1))


@pytest.mark.parametrize("points", [1, 2, 511, 512, 513, 5000])
def test_integrals(points: int) -> None:
    """scipy.integrate.cumulative_trapezoid at the points, straight lines between, whole periods beyond the end."""
    grid = Grid(0.01, points, max(points // 3, 1))
    values = np.random.default_rng(points).uniform(1.0, 2.0, points + 1)
    exact = cumulative_trapezoid(values, dx=grid.dt_s, initial=0.0)
    running = Running(grid, values)
    times = grid.times_s
    for t_s in (0.0, 0.3 * grid.end_s, 0.77 * grid.end_s, grid.end_s):
        assert running.to(t_s) == pytest.approx(np.interp(t_s, times, exact), rel=1e-12, abs=1e-15)
    period = exact[-1] - exact[-1 - grid.period_points]
    inside_s = 0.4 * grid.period_s
    start = exact[-1 - grid.period_points]
    rest = np.interp(grid.end_s - grid.period_s + inside_s, times, exact) - start
    assert running.to(grid.end_s + 7 * grid.period_s + inside_s) == pytest.approx(
        exact[-1] + 7 * period + rest, rel=1e-9
    )


@pytest.mark.parametrize(
    ("from_s", "to_s"), [(0.0, 0.4), (0.123, 0.1234), (0.9, 1.0), (0.95, 1.7), (1.0, 1.1), (3.21, 9.87), (1.0, 1.0)]
)
def test_a_stretch_tells_what_the_whole_grid_tells(from_s: float, to_s: float) -> None:
    """Value and integral, before, across and beyond the grid's end: the same as over all of it."""
    grid = Grid(1e-3, 1000, 50)
    k = np.arange(1001)
    values = np.cos(2.0 * math.pi * k / 50) + np.exp(-k / 30.0)  # at rest, and so periodic, long before the end
    part = grid.part(from_s, to_s)
    own = values[part.points]
    t_s = np.linspace(from_s, to_s, 23)
    assert part.grid.value(own, t_s - part.from_s) == pytest.approx(grid.value(values, t_s), rel=1e-9, abs=1e-9)
    whole = Running(grid, values).between(from_s, to_s)
    assert Running(part.grid, own).between(from_s - part.from_s, to_s - part.from_s) == pytest.approx(whole, abs=1e-12)


def test_what_does_not_clip_is_solved_in_long_stretches(monkeypatch: pytest.MonkeyPatch) -> None:
    """The equation as a whole holds within 1e-12 of V0, and a tenth of the calls of short stretches does it."""
    calls = []
    taken = rail._taken
    monkeypatch.setattr(rail, "_taken", lambda paths, volts: calls.append(len(volts)) or taken(paths, volts))
    source, grid = Source(NO_LOAD_V, SOURCE_OHM, TAU_S), Grid(1.0 / (FREQUENCY_HZ * 160), 800 * 160, 160)
    quiet = paths_of(grid, 8.0)
    volts = rail_volts(source, quiet, grid, NO_LOAD_V)
    assert residual_v(source, quiet, grid, volts) <= 1e-12 * NO_LOAD_V
    assert len(calls) <= 2 * 128_000 // 2048 // 5
