"""Supply, leads, energy and heat against arithmetic and integrals written here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulators.world.bench_truth import BenchTruth, SupplyTruth
from simulators.world.heat import later_c
from simulators.world.journal import BurstRow, EventRow
from simulators.world.unit_truth import FeedTruth, HeatTruth, RailTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, S, channel, layout, one_cycle, powered, unit, volts

MS = 1_000_000


def last_burst(world: World) -> BurstRow:
    return [row for row in world.journal if isinstance(row, BurstRow)][-1]


def test_leads_at_idle() -> None:
    """Ohm's law: 24 V x 0.999 behind 50 + 150 milliohm with 2 A flowing."""
    bench = BenchTruth(supply=SupplyTruth(volts_error=-0.001, source_ohm=0.05, lead_ohm=0.15))
    world = powered(unit(feed=FeedTruth(idle_a=2.0)), bench=bench)
    means = world.supply_means(ON_NS, ON_NS + 20 * MS)
    assert means.volts == pytest.approx(23.976 - 0.1, rel=1e-12)
    assert means.amps == pytest.approx(2.0, rel=1e-12)
    assert volts(world, "rail", ON_NS, np.array([0.0]))[0] == pytest.approx(23.976 - 0.4, rel=1e-12)


def test_leads_under_power() -> None:
    """Kirchhoff at each instant: Vt = Vs - R I, and (I - idle) Vt is the power the rail takes / efficiency."""
    bench = BenchTruth(supply=SupplyTruth(lead_ohm=0.1), supply_shunt_ohm=1.0)
    world = powered(unit(feed=FeedTruth(idle_a=1.0, efficiency=0.8)), 4.0, bench)
    world.fire(ON_NS, 2.0, 1000.0, 20)
    t_s = one_cycle(1000.0, 3, 1000)
    terminal_v, amps = volts(world, "rail", ON_NS, t_s), volts(world, "shunt in the supply lead", ON_NS, t_s)
    taken_w = 30.0 * np.abs(volts(world, "output A", ON_NS, t_s)) / 4.0 / 0.8
    assert np.max(np.abs(terminal_v - (24.0 - 0.1 * amps))) < 1e-9
    assert np.max(np.abs((amps - 1.0) * terminal_v - taken_w)) < 0.03  # straight lines between 400 points a cycle


@pytest.mark.parametrize(("x", "percent"), [(1.0, 78.5398), (0.707107, 55.5360), (0.5, 39.2699), (0.353553, 27.7680)])
def test_class_b_efficiency(x: float, percent: float) -> None:
    """eta = pi x / 4 of an ideal class B stage (textbook closed form)."""
    world = powered(unit(feed=FeedTruth(idle_a=0.0, efficiency=1.0)))
    world.fire(ON_NS, 3.0 * x / math.sqrt(2.0), 1000.0, 50)
    row = last_burst(world)
    assert 100.0 * sum(row.load_j) / row.supply_j == pytest.approx(percent, abs=4e-3)
    means = world.supply_means(ON_NS, ON_NS + 20 * MS)
    assert means.volts * means.amps == pytest.approx(row.supply_j / 0.05, rel=1e-4)


def test_energy_of_a_burst() -> None:
    """Joules in the load are the integral of v^2/R of the very waveform; supply = loads + heat (conservation);
    and, with the recharging that follows, the supply really gave them.
    """
    feed = FeedTruth(idle_a=1.0, efficiency=0.85)
    truth = unit(channel("A", coupling_hz=3.0), channel("B", gain_db=18.0), rail=RailTruth(30.0, 0.6, 0.008), feed=feed)
    world = powered(truth, 4.0)
    world.fire(ON_NS, 2.4, 1000.0, 20)
    t_s = (np.arange(200_000) + 0.5) * 1e-7
    row = last_burst(world)
    for name, joules in zip("AB", row.load_j, strict=True):
        wave = volts(world, f"output {name}", ON_NS, t_s)
        assert joules == pytest.approx(float(np.sum(wave**2)) / 4.0 * 1e-7, rel=3e-5)
    assert row.supply_j == pytest.approx(sum(row.load_j) + sum(row.heat_j), rel=1e-12)
    whole = world.supply_means(ON_NS, ON_NS + 500 * MS)
    given_j = whole.volts * (whole.amps - 1.0) * 0.5
    assert given_j == pytest.approx(row.supply_j - 24.0 * 0.02, rel=5e-3)  # the coupling's tail draws the rest


@pytest.mark.parametrize(
    ("t_s", "celsius"), [(60, 30.7098), (300, 48.6082), (600, 62.9272), (1800, 82.0128), (3600, 84.8513)]
)
def test_heating(t_s: float, celsius: float) -> None:
    """T = Ta + P R (1 - exp(-t/RC)) with 1.2 K/W, 500 J/K, 50 W, 25 degC: closed form, five values."""
    heat = HeatTruth(1.2, 500.0, 25.0)
    assert later_c(25.0, 50.0, t_s, heat) == pytest.approx(celsius, abs=5e-5)
    world = World(layout(unit(feed=FeedTruth(mute_s=0.0, idle_a=50.0 / 24.0), heat=heat)))
    world.set_supply(0, 24.0, 40.0, True)
    assert world.temperature_c("301", round(t_s * S)) == pytest.approx(celsius, abs=5e-5)


def test_burst_heat_reaches_the_heat_sink() -> None:
    """Short against RC: the rise is joules / (J/K), less what the idle power alone would have done."""
    world = powered(unit(feed=FeedTruth(idle_a=0.0, standby_a=0.0)))
    before = world.temperature_c("301", ON_NS)
    world.fire(ON_NS, 2.0, 1000.0, 1000)
    after = world.temperature_c("301", ON_NS + S)
    assert before is not None
    assert after is not None
    assert after - before == pytest.approx(sum(last_burst(world).heat_j) / 500.0, rel=2e-3)


def test_current_limit_folds_the_supply() -> None:
    """A limit of 5 A is never passed; volts and output fall; it is over when the burst is."""
    world = powered(unit(rail=RailTruth(30.0, 0.5, 0.008)), 4.0, limit_a=5.0)
    world.fire(ON_NS, 2.4, 1000.0, 200)
    means = world.supply_means(ON_NS + 100 * MS, ON_NS + 120 * MS)
    assert means.amps == pytest.approx(5.0, abs=0.01)
    assert means.volts < 22.0
    assert world.supply_limited(ON_NS + 110 * MS)
    assert not world.supply_limited(ON_NS + S)
    free = powered(unit(rail=RailTruth(30.0, 0.5, 0.008)), 4.0)
    free.fire(ON_NS, 2.4, 1000.0, 200)
    t_s = one_cycle(1000.0, 150, 500)
    limited_v, free_v = (float(np.std(volts(w, "output A", ON_NS, t_s))) for w in (world, free))
    assert limited_v < 0.8 * free_v
    # Power balance: 5 A less idle, at the folded volts' full value, through 88 %, must carry load and class B stage.
    assert limited_v**2 / 4.0 < (5.0 - 1.1) * 24.0 * 0.88


def test_limited_rail() -> None:
    """C dV/dt = min((V0 - V)/Rs, cap) - |v|/R, C = tau/Rs, cap = what the limit leaves: scipy.integrate.solve_ivp."""
    feed = FeedTruth(idle_a=1.0, efficiency=0.8)
    world = powered(unit(rail=RailTruth(30.0, 0.5, 0.008), feed=feed), 4.0, limit_a=4.0)
    world.fire(ON_NS, 2.4, 1000.0, 60)
    peak_v, cap_a = 24.0 * math.sqrt(2.0), (4.0 - 1.0) * 24.0 * 0.8 / 30.0

    def slope(t: float, v: list[float]) -> list[float]:
        out = min(abs(peak_v * math.sin(2.0 * math.pi * 1000.0 * t)), v[0])
        return [(min((30.0 - v[0]) / 0.5, cap_a) - out / 4.0) / (0.008 / 0.5)]

    t_s = np.linspace(0.0, 0.06, 3001)
    rail_v = solve_ivp(slope, (0.0, 0.06), [30.0], "RK45", t_s, rtol=1e-8, atol=1e-8, max_step=1e-5).y[0]
    expected = np.clip(peak_v * np.sin(2.0 * math.pi * 1000.0 * t_s), -rail_v, rail_v)
    assert rail_v.min() < 20.0
    assert np.max(np.abs(volts(world, "output A", ON_NS, t_s) - expected)) < 3e-3


def test_off_mutes_at_once_and_the_terminals_bleed() -> None:
    """Exponential: after one time constant 1/e is left."""
    world = powered(unit(feed=FeedTruth(bleed_tau_s=2.0)))
    world.fire(ON_NS, 1.0, 1000.0, 1000)
    world.set_supply(ON_NS + 5 * MS, 24.0, 40.0, False)
    later = np.array([0.2501e-3 + 0.005, 2.005])
    assert volts(world, "output A", ON_NS, later)[0] == 0.0
    assert volts(world, "rail", ON_NS, later)[1] == pytest.approx(24.0 / math.e, rel=1e-9)
    means = world.supply_means(ON_NS + 2005 * MS, ON_NS + 2025 * MS)
    assert means.amps == 0.0
    assert means.volts == pytest.approx(24.0 / math.e * 100.0 * (1.0 - math.exp(-0.01)), rel=1e-9)


def test_muted_after_power_and_below_start_volts() -> None:
    """As the truth says: silence for mute_s, for ever below start_v."""
    world = World(layout(unit(channel(offset_v=0.05), feed=FeedTruth(mute_s=1.0, start_v=18.0, standby_a=0.2))))
    world.set_supply(0, 17.0, 40.0, True)
    assert world.supply_means(5 * S, 6 * S).amps == pytest.approx(0.2)
    world.set_supply(6 * S, 24.0, 40.0, True)
    quiet, alive = volts(world, "output A", 6 * S, np.array([0.999, 1.001]))
    assert (quiet, alive) == (0.0, pytest.approx(0.05))


def test_contacts_follow_their_coils() -> None:
    """15 ms, as the programming page says; a load that opens under signal is an event; an open output is not loaded."""
    world = powered(unit())
    world.fire(ON_NS, 1.0, 1000.0, 100)
    world.set_coils(ON_NS + 20 * MS, frozenset())
    assert world.contacts(ON_NS + 35 * MS - 1) == {"101"}
    assert world.contacts(ON_NS + 35 * MS) == frozenset()
    world.tone_at(ON_NS + S)
    events = [row for row in world.journal if isinstance(row, EventRow)]
    assert [(event.start_ns, event.text) for event in events] == [(ON_NS + 35 * MS, "load contact opened under signal")]
    # 14.142 V peak into 8 ohm is 12.5 W: 35 ms of it, and nothing after.
    assert last_burst(world).load_j[0] == pytest.approx(12.5 * 0.035, rel=1e-4)
    world.weld(ON_NS + S, frozenset({"101"}))
    world.set_coils(ON_NS + 2 * S, frozenset())
    assert world.contacts(ON_NS + 3 * S) == {"101"}


def test_generator_off_ends_a_burst() -> None:
    """7 of 20 cycles: 7/20 of the energy; the row says that it was cut."""
    whole, cut = powered(unit()), powered(unit())
    for world in (whole, cut):
        world.fire(ON_NS, 1.0, 1000.0, 20)
    cut.rest(ON_NS + 7 * MS)
    assert volts(cut, "output A", ON_NS, np.array([7.25e-3]))[0] == 0.0
    assert last_burst(cut).load_j[0] == pytest.approx(last_burst(whole).load_j[0] * 0.35, rel=1e-9)
    assert (last_burst(cut).cut, last_burst(whole).cut) == (True, False)


def test_channels_share_the_rail() -> None:
    """Both channels into 4 ohm sag the rail more than one: the clipped crest is lower (sign of the equation)."""
    rail = RailTruth(30.0, 0.8, 0.005)
    both = powered(unit(channel("A"), channel("B"), rail=rail), 4.0)
    one_load = replace(both.layout.loads[0], channels={"A": (("101",), 4.0)})
    alone = World(replace(both.layout, loads=(one_load,)))
    alone.set_supply(0, 24.0, 40.0, True)
    alone.set_coils(0, frozenset({"101"}))
    crests = []
    for world in (both, alone):
        world.fire(ON_NS, 3.0, 1000.0, 20)
        crests.append(float(np.max(volts(world, "output A", ON_NS, one_cycle(1000.0, 19, 1000)))))
    assert crests[0] < crests[1] - 1.0
