"""The rail of long bursts, solved stretch by stretch: against its own equation as a whole, and direct integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.world import rail
from simulators.world.channel_truth import ChannelTruth
from simulators.world.path import Path
from simulators.world.rail import Grid, Source, rail_volts
from simulators.world.relax import relaxed
from tests.simulators.world_bench import channel

NO_LOAD_V, SOURCE_OHM, TAU_S, LOAD_OHM = 33.6, 0.5, 0.008, 4.0
FREQUENCY_HZ = 1000.0


def paths_of(grid: Grid, peak_v: float, sounding: int = 2) -> list[Path]:
    """Channels that want a sine with a tail that dies away in 48 ms, as behind a coupling."""
    t_s = grid.times_s
    truth: ChannelTruth = channel()
    waves = [peak_v * np.sin(2.0 * math.pi * FREQUENCY_HZ * t_s + k) + 3.0 * np.exp(-t_s / 0.048) for k in range(2)]
    return [Path(truth, LOAD_OHM, wave) for wave in waves[:sounding]]


def residual_v(
    source: Source, paths: list[Path], grid: Grid, volts: np.ndarray[tuple[int], np.dtype[np.float64]]
) -> float:
    """How far V lies from what follows from it over the whole grid at once: tau V' = u(V) - V."""
    amps = sum((path.rail_amps(volts) for path in paths), np.zeros_like(volts))
    given_v = np.minimum(source.no_load_v - volts, source.ohm * source.cap_a) + volts
    whole = relaxed(given_v - source.ohm * amps, float(volts[0]), grid.dt_s / source.tau_s)
    return float(np.max(np.abs(whole - volts)))


@pytest.mark.parametrize("peak_v", [20.0, 60.0])
@pytest.mark.parametrize("cap_a", [math.inf, 3.0])
def test_it_fulfils_the_equation_of_the_whole_grid(peak_v: float, cap_a: float) -> None:
    """Within 1e-9 of V0, whatever stretches it was solved in: 0.8 s at 1 kHz, clipped or not, capped or not."""
    source = Source(NO_LOAD_V, SOURCE_OHM, TAU_S, cap_a)
    grid = Grid(1.0 / (FREQUENCY_HZ * 160), 800 * 160, 160)
    paths = paths_of(grid, peak_v)
    volts = rail_volts(source, paths, grid, NO_LOAD_V)
    assert residual_v(source, paths, grid, volts) <= 1e-9 * NO_LOAD_V
    assert volts[0] == NO_LOAD_V
    assert np.min(volts) < 0.95 * NO_LOAD_V


@pytest.mark.parametrize("cap_a", [math.inf, 3.0])
def test_against_direct_integration(cap_a: float) -> None:
    """C V' = min((V0 - V)/Rs, cap) - sum |v|/R with a hard clip at V: scipy.integrate.solve_ivp, 60 ms. What differs is
    the straight lines between the grid's points: a fourth of it at twice the points (rule of second order).
    """
    source = Source(NO_LOAD_V, SOURCE_OHM, TAU_S, cap_a)
    farad = TAU_S / SOURCE_OHM

    def slope(t_s: float, volts: list[float]) -> list[float]:
        wanted = (
            60.0 * math.sin(2.0 * math.pi * FREQUENCY_HZ * t_s + k) + 3.0 * math.exp(-t_s / 0.048) for k in (0, 1)
        )
        amps = sum(min(abs(v), volts[0]) for v in wanted) / LOAD_OHM
        return [(min((NO_LOAD_V - volts[0]) / SOURCE_OHM, cap_a) - amps) / farad]

    at_s = np.linspace(0.0, 0.06, 61)
    exact = solve_ivp(slope, (0.0, 0.06), [NO_LOAD_V], "RK45", at_s, rtol=1e-10, atol=1e-10, max_step=5e-6).y[0]
    off_v = []
    for per_cycle in (200, 400):
        grid = Grid(1.0 / (FREQUENCY_HZ * per_cycle), 60 * per_cycle, per_cycle)
        volts = rail_volts(source, paths_of(grid, 60.0), grid, NO_LOAD_V)
        off_v.append(float(np.max(np.abs(volts[::per_cycle] - exact))))
    assert off_v[0] < 1e-3
    assert off_v[1] < 0.5 * off_v[0]


def test_a_load_far_below_the_source_is_solved_without_walking(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.25 ohm behind 0.5 ohm: long stretches do not come to rest, shorter ones do."""

    def never(*_args: object) -> None:
        raise AssertionError("walked")

    monkeypatch.setattr(rail, "_walked", never)
    source = Source(NO_LOAD_V, SOURCE_OHM, TAU_S)
    grid = Grid(1.0 / (FREQUENCY_HZ * 160), 100 * 160, 160)
    paths = [Path(channel(), 0.25, path.wanted_v) for path in paths_of(grid, 60.0, 1)]
    volts = rail_volts(source, paths, grid, NO_LOAD_V)
    assert residual_v(source, paths, grid, volts) <= 1e-9 * NO_LOAD_V


def test_walked_and_in_stretches_agree() -> None:
    """Two ways through one equation: Heun's rule is of second order as well, so twice the points a quarter apart."""
    source = Source(NO_LOAD_V, SOURCE_OHM, TAU_S, 3.0)
    apart_v = []
    for per_cycle in (200, 400):
        grid = Grid(1.0 / (FREQUENCY_HZ * per_cycle), 30 * per_cycle, per_cycle)
        paths = paths_of(grid, 60.0)
        apart_v.append(
            float(
                np.max(
                    np.abs(rail_volts(source, paths, grid, NO_LOAD_V) - rail._walked(source, paths, grid, NO_LOAD_V))
                )
            )
        )
    assert apart_v[0] < 1e-3
    assert apart_v[1] < 0.5 * apart_v[0]
