"""Heat of units and loads, and what follows it, against closed forms and integrals written here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.world.bench_truth import BenchTruth, LoadTruth, SupplyTruth
from simulators.world.conditions import next_look_ns
from simulators.world.heat import both_later_c, later_c
from simulators.world.unit_truth import FanTruth, FeedTruth, HeatTruth, ProtectionTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, S, channel, layout, powered, unit, volts

TWO = HeatTruth(1.2, 500.0, 25.0, device_k_per_w=0.6, device_j_per_k=20.0)


@pytest.mark.parametrize("mounting", [0.0, 0.9])
@pytest.mark.parametrize("t_s", [0.5, 10.0, 60.0, 900.0])
def test_two_nodes(mounting: float, t_s: float) -> None:
    """Cd Td' = P - (Td - Ts)/Rd, Cs Ts' = (Td - Ts)/Rd - (Ts - Ta)/Rs: scipy.integrate.solve_ivp."""
    rd = 0.6 + mounting

    def slope(_t: float, x: list[float]) -> list[float]:
        across_w = (x[0] - x[1]) / rd
        return [(50.0 - across_w) / 20.0, (across_w - (x[1] - 25.0) / 1.2) / 500.0]

    solved = solve_ivp(slope, (0.0, t_s), [40.0, 31.0], "LSODA", rtol=1e-10, atol=1e-10).y[:, -1]
    assert both_later_c((40.0, 31.0), 50.0, t_s, TWO, mounting) == pytest.approx(tuple(solved), abs=1e-5)


def test_two_nodes_end_and_limit() -> None:
    """At rest Ta + P Rs and P Rd above that (Ohm's law of heat); with hardly any device the one-node form holds."""
    device, heatsink = both_later_c((25.0, 25.0), 50.0, 1e5, TWO)
    assert (device, heatsink) == (pytest.approx(115.0), pytest.approx(85.0))
    small = replace(TWO, device_k_per_w=1e-3, device_j_per_k=1e-3)
    for t_s, celsius in ((60, 30.7098), (600, 62.9272), (3600, 84.8513)):  # closed form, tau 600 s
        assert both_later_c((25.0, 25.0), 50.0, t_s, small)[1] == pytest.approx(celsius, abs=2e-4)
        assert later_c(25.0, 50.0, t_s, TWO) == pytest.approx(celsius, abs=5e-5)


def test_a_badly_mounted_side_reads_hotter() -> None:
    """At rest a sensor half way sees P (Rs + Rd/2): with 1 K/W more on one side and 24 W there, 12 K between sides."""
    heat = replace(TWO, sensor_part=0.5)
    truth = unit(channel("A"), channel("B", mounting_k_per_w=1.0), heat=heat, feed=FeedTruth(mute_s=0.0, idle_a=2.0))
    world = World(layout(truth))
    world.set_supply(0, 24.0, 40.0, True)
    sound, loose = (world.temperature_c(name, 20_000 * S) for name in ("301", "302"))
    assert sound == pytest.approx(25.0 + 24.0 * (1.2 + 0.3), abs=1e-3)
    assert loose == pytest.approx(25.0 + 24.0 * (1.2 + 0.8), abs=1e-3)


def idle_amps(feed: FeedTruth, heat: HeatTruth, at_s: list[float], bench: BenchTruth | None = None) -> list[float]:
    world = World(layout(unit(heat=heat, feed=feed)), bench)
    world.set_supply(0, 24.0, 1000.0, True)
    return [world.supply_means(round(t * S) - 20_000_000, round(t * S)).amps for t in at_s]


def test_idle_current_follows_heat() -> None:
    """C T' = V I0 (1 + a (T - 25)) - (T - Ta)/R is linear: exponential with tau RC/(1 - a R V I0) to its end."""
    feed = FeedTruth(mute_s=0.0, idle_a=1.0, idle_per_k=0.01)
    heat = HeatTruth(1.5, 400.0, 25.0)
    loop = 0.01 * 1.5 * 24.0
    end_k = 1.5 * 24.0 / (1.0 - loop)
    at_s = [100.0, 400.0, 1500.0, 8000.0]
    for t_s, amps in zip(at_s, idle_amps(feed, heat, at_s), strict=True):
        expected = 1.0 + 0.01 * end_k * -math.expm1(-t_s * (1.0 - loop) / 600.0)
        assert amps == pytest.approx(expected, rel=2.5e-3)


def test_idle_current_runs_away() -> None:
    """a R V I0 = 1.44 > 1: the same equation grows without end, T - 25 = R V I0 / 0.44 (exp(0.44 t / RC) - 1); below
    1 it comes to rest.
    """
    feed, heat = FeedTruth(mute_s=0.0, idle_a=2.0, idle_per_k=0.02), HeatTruth(1.5, 400.0, 25.0)
    at_s = [200.0, 600.0, 1200.0]
    for t_s, amps in zip(at_s, idle_amps(feed, heat, at_s), strict=True):
        rise_k = 1.5 * 48.0 / 0.44 * math.expm1(0.44 * t_s / 600.0)
        assert amps == pytest.approx(2.0 * (1.0 + 0.02 * rise_k), rel=1e-2)  # looked at every 4 s, so it lags a little
    tame = idle_amps(replace(feed, idle_per_k=0.01), heat, [15_000.0, 20_000.0])
    assert tame[0] == pytest.approx(tame[1], rel=1e-3)


def test_a_runaway_ends_in_the_supplys_limit() -> None:
    """The limit holds the current; the unit's terminals fold."""
    feed = FeedTruth(mute_s=0.0, idle_a=2.0, idle_per_k=0.02)
    world = World(layout(unit(heat=HeatTruth(1.5, 400.0, 25.0), feed=feed)))
    world.set_supply(0, 24.0, 5.0, True)
    means = world.supply_means(3000 * S, 3001 * S)
    assert means.amps == pytest.approx(5.0, rel=1e-9)
    assert means.volts < 20.0
    assert world.supply_limited(3001 * S)


def test_looks_are_fixed_instants_and_reads_do_not_add_any() -> None:
    """5,000 odd polls of a drifting unit with everything on it change nothing, to the last bit."""
    feed = FeedTruth(idle_a=1.5, idle_per_k=0.012)
    heat = replace(TWO, fan=FanTruth(30.0, 0.7), sensor_part=0.3)
    guard = ProtectionTruth(over_a=6.0, over_c=70.0, delay_s=0.002, returns_after_s=0.5)
    truth = replace(unit(channel(offset_v_per_k=0.001), heat=heat, feed=feed), protection=guard)
    bench = BenchTruth(load={"one": LoadTruth(0.002, 2.0, 30.0)}, supply=SupplyTruth(lead_ohm=0.02))

    def night(polls: int) -> tuple[object, ...]:
        world = powered(truth, 4.0, bench)
        seen: list[object] = []
        for k in range(4):
            start_ns = ON_NS + k * 20 * S
            world.fire(start_ns, 1.3 + 0.2 * k, 1000.0, 4000)
            for j in range(polls // 4):
                at_ns = start_ns + 1000 + j * 9_719_003
                world.supply_means(at_ns - 20_000_000, at_ns)
                world.temperature_c("301", at_ns)
                world.journal  # noqa: B018 (a property that must not change anything)
            end_ns = start_ns + 19 * S
            seen += [world.temperature_c("301", end_ns), world.supply_means(end_ns - 20_000_000, end_ns)]
        return world.journal, *seen

    assert night(0) == night(5000)
    assert next_look_ns(100 * S, 0) == 104 * S


def test_offset_drifts_with_heat() -> None:
    """2 mV/K x (85 - 25) K at the end of a warm-up with 50 W and 1.2 K/W; the cold one is there at once."""
    truth = unit(
        channel(offset_v=0.005, offset_v_per_k=0.002),
        heat=HeatTruth(1.2, 500.0, 25.0),
        feed=FeedTruth(mute_s=0.0, idle_a=50.0 / 24.0),
    )
    world = World(layout(truth))
    world.set_supply(0, 24.0, 40.0, True)
    zero = np.array([0.0])
    assert volts(world, "output A", 1000, zero)[0] == pytest.approx(0.005, abs=2e-5)
    assert volts(world, "output A", 20_000 * S, zero)[0] == pytest.approx(0.125, abs=2e-4)


def test_fan() -> None:
    """It halves 1.2 K/W: 50 W then end at 55 degC instead of 85 (closed form); a dead one makes no difference."""
    ends = []
    for fan in (FanTruth(45.0, 0.6), FanTruth(45.0, 0.6, dead=True)):
        heat = HeatTruth(1.2, 500.0, 25.0, fan=fan)
        world = World(layout(unit(heat=heat, feed=FeedTruth(mute_s=0.0, idle_a=50.0 / 24.0))))
        world.set_supply(0, 24.0, 40.0, True)
        ends.append(world.temperature_c("301", 20_000 * S))
    assert ends == [pytest.approx(55.0, abs=0.01), pytest.approx(85.0, abs=0.01)]


def test_load_drifts_with_its_heat() -> None:
    """1000 ppm/K, 2 K/W, 25 J/K under 12 V into 4 ohm for 200 s: C T' = V^2/R(T) - T/Rth by solve_ivp."""
    bench = BenchTruth(load={"one": LoadTruth(0.001, 2.0, 25.0, 22.0)}, load_shunt_ohm=1.0)
    world = powered(unit(channel(offset_v=0.0)), 4.0, bench)
    world.fire(ON_NS, 1.2, 1000.0, None)
    power_w, at_ns = 12.0**2 / 4.0, ON_NS + 200 * S

    def slope(_t: float, x: list[float]) -> list[float]:
        return [(power_w / (1.0 + 0.001 * x[0]) - x[0] / 2.0) / 25.0]

    rise_k = float(solve_ivp(slope, (0.0, 200.0), [0.0], rtol=1e-9, atol=1e-9).y[0, -1])
    t_s = (np.arange(1000) + 0.5) * 1e-6
    ohm = np.std(volts(world, "output A", at_ns, t_s)) / np.std(volts(world, "shunt in the load return", at_ns, t_s))
    assert rise_k > 50.0
    assert ohm == pytest.approx(4.0 * (1.0 + 0.001 * rise_k), rel=1e-3)
    world.rest(at_ns)
    world.fire(at_ns + 1000 * S, 1.2, 1000.0, 1)  # 20 time constants later it is cold again
    cold = (
        volts(world, "output A", at_ns + 1000 * S, t_s),
        volts(world, "shunt in the load return", at_ns + 1000 * S, t_s),
    )
    assert np.std(cold[0]) / np.std(cold[1]) == pytest.approx(4.0, rel=1e-4)
