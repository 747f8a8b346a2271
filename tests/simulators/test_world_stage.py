"""Output stages against closed forms: what they take, what they waste, and how they distort."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.world.channel_truth import ChannelTruth, StageTruth
from simulators.world.journal import BurstRow
from simulators.world.stage import rail_amps, shaped, taken_once
from simulators.world.unit_truth import FeedTruth, RailTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, channel, one_cycle, powered, thd, unit, volts

IDEAL = FeedTruth(idle_a=0.0, efficiency=1.0)
MOST_W = 30.0**2 / (2.0 * 8.0)


def burst(world: World, level_vrms: float, cycles: int = 50) -> BurstRow:
    world.fire(ON_NS, level_vrms, 1000.0, cycles)
    return [row for row in world.journal if isinstance(row, BurstRow)][-1]


def at(x: float, **changes: object) -> tuple[World, BurstRow]:
    """50 ms at x times the rail's 30 V, into 8 ohm, ideal feed."""
    world = powered(unit(channel(**changes), feed=IDEAL))
    return world, burst(world, 3.0 * x / math.sqrt(2.0))


@pytest.mark.parametrize(
    ("x", "taken", "heat"),
    [
        (1.0, 1.273240, 0.273240),
        (2.0 / math.pi, 0.810569, 0.405285),
        (0.707107, 0.900316, 0.400316),
        (0.577350, 0.735105, 0.401772),
        (0.5, 0.636620, 0.386620),
        (0.353553, 0.450158, 0.325158),
    ],
)
def test_class_b(x: float, taken: float, heat: float) -> None:
    """Ideal class B, split rails: taken 4x/pi, out x^2, heat the difference, of Vcc^2/(2R) (textbook closed form)."""
    _, row = at(x, stage=StageTruth("B"))
    assert row.supply_j / 0.05 / MOST_W == pytest.approx(taken, abs=4e-5)
    assert sum(row.heat_j) / 0.05 / MOST_W == pytest.approx(heat, abs=4e-5)


def test_class_b_is_hottest_at_two_over_pi() -> None:
    """d/dx (4x/pi - x^2) = 0 at x = 2/pi."""
    heats = {x: sum(at(x, stage=StageTruth("B"))[1].heat_j) for x in (0.55, 2.0 / math.pi, 0.72)}
    assert max(heats, key=heats.__getitem__) == 2.0 / math.pi


def test_class_ab_is_class_b_and_idle() -> None:
    """Conservation: 1.5 A x 24 V more out of the supply for 50 ms, all of it heat."""
    _, bare = at(0.5, stage=StageTruth("B"))
    row = burst(powered(unit(channel(), feed=FeedTruth(idle_a=1.5, efficiency=1.0))), 1.5 / math.sqrt(2.0))
    assert row.supply_j - bare.supply_j == pytest.approx(1.5 * 24.0 * 0.05, rel=1e-9)
    assert sum(row.heat_j) - sum(bare.heat_j) == pytest.approx(1.5 * 24.0 * 0.05, rel=1e-9)


@pytest.mark.parametrize("x", [0.2, 0.5, 0.9])
def test_class_d(x: float) -> None:
    """P = Pout (1 + r/R) + fixed: conduction in series with the load, switching at rest (energy balance)."""
    stage = StageTruth("D", conduction_ohm=0.4, fixed_w=6.0)
    _, row = at(x, stage=stage)
    out_w = x**2 * MOST_W
    assert row.load_j[0] / 0.05 == pytest.approx(out_w, rel=2e-5)
    assert row.supply_j / 0.05 == pytest.approx(out_w * (1.0 + 0.4 / 8.0) + 6.0, rel=2e-5)


def test_class_d_at_rest_and_at_its_end() -> None:
    """At rest 6 W / 24 V; full swing is the rail divided between load and devices (Ohm's law)."""
    world = powered(unit(channel(stage=StageTruth("D", conduction_ohm=0.4, fixed_w=6.0)), feed=IDEAL))
    assert world.supply_means(ON_NS - 10_000_000, ON_NS).amps == pytest.approx(0.25)
    world.fire(ON_NS, 4.0, 1000.0, 20)
    assert float(np.max(volts(world, "output A", ON_NS, one_cycle(1000.0, 5)))) == pytest.approx(30.0 * 8.0 / 8.4)


@pytest.mark.parametrize("x", [0.3, 0.7, 0.95])
def test_class_h(x: float) -> None:
    """Integral of the sine with the lower rail below its volts: (2/pi) I V [low (1 - cos a) + cos a], sin a = low/x."""
    low = 0.5
    _, row = at(x, stage=StageTruth("H", low_rail_part=low))
    cos_a = math.sqrt(1.0 - min(low / x, 1.0) ** 2)
    taken_w = 2.0 / math.pi * (30.0 * x / 8.0) * 30.0 * (low * (1.0 - cos_a) + cos_a)
    assert row.supply_j / 0.05 == pytest.approx(taken_w, rel=2e-3)  # 400 points a cycle find the changeover to 1/400
    assert sum(row.heat_j) < sum(at(x, stage=StageTruth("B"))[1].heat_j)
    assert row.supply_j == pytest.approx(sum(row.load_j) + sum(row.heat_j), rel=1e-9)


def test_class_h_distorts_where_the_rails_change() -> None:
    """Nothing below the lower rail; above it 0.2 V are taken from a part of the wave, and less of it higher up."""
    low, bump, high = (
        100.0 * thd(volts(at(x, stage=StageTruth("H", crossing_v=0.2))[0], "output A", ON_NS, one_cycle(1000.0, 5)))
        for x in (0.4, 0.6, 0.98)
    )
    assert low < 1e-3
    assert bump > 0.1
    assert bump > high


@pytest.mark.parametrize("peak_v", [20.0, 25.0])
def test_dead_zone_far_below_the_signal(peak_v: float) -> None:
    """Then the error is a square wave of height d: harmonics 4d/(pi k), k odd: THD = 4d/pi sqrt(pi^2/8 - 1) / b1,
    b1 = A - 4d/pi (Fourier series). Half the healthy idle current leaves half the dead zone.
    """
    feed = FeedTruth(idle_a=0.5, healthy_idle_a=1.0)
    world = powered(unit(channel(crossover_v=0.02), feed=feed))
    world.fire(ON_NS, peak_v / 10.0 / math.sqrt(2.0), 1000.0, 20)
    d = 0.01
    expected = 4.0 * d / math.pi * math.sqrt(math.pi**2 / 8.0 - 1.0) / (peak_v - 4.0 * d / math.pi)
    wave = volts(world, "output A", ON_NS, one_cycle(1000.0, 5, 400_000))
    assert thd(wave) == pytest.approx(expected, rel=0.02)  # the corners of the square wave are round


def test_crossover_distortion_follows_the_idle_current() -> None:
    """None at the healthy one, more the less there is; and worst at small signals (common practice, no source)."""
    found = []
    for idle_a in (1.2, 1.0, 0.7, 0.3):
        world = powered(unit(channel(crossover_v=0.2), feed=FeedTruth(idle_a=idle_a, healthy_idle_a=1.0)))
        world.fire(ON_NS, 0.2, 1000.0, 20)
        found.append(thd(volts(world, "output A", ON_NS, one_cycle(1000.0, 5))))
    assert found[0] < 1e-6
    assert found[1] < 1e-6
    assert 0.005 < found[2] < found[3]
    world.fire(ON_NS + 1_000_000_000, 2.0, 1000.0, 20)
    assert thd(volts(world, "output A", ON_NS + 1_000_000_000, one_cycle(1000.0, 5))) < 0.2 * found[3]


def test_a_dead_zone_needs_its_healthy_idle_current() -> None:
    """Without it nothing says how wide the zone is."""
    with pytest.raises(ValueError, match="healthy_idle_a"):
        unit(channel(crossover_v=0.2))


def test_most_amps_clip() -> None:
    """3 A into 4 ohm is 12 V, whatever the rail; into 16 ohm the rail is nearer (Ohm's law)."""
    for ohm, top_v in ((4.0, 12.0), (16.0, 30.0)):
        world = powered(unit(channel(most_a=3.0)), ohm)
        world.fire(ON_NS, 4.0, 1000.0, 20)
        assert float(np.max(volts(world, "output A", ON_NS, one_cycle(1000.0, 5)))) == pytest.approx(top_v)


def test_broken_channels() -> None:
    """Dead: its offset alone. Open: nothing at the load, no power. At the rail: DC through the load (30 V / 8 ohm)."""
    found = {}
    for fault in ("dead", "open", "at the rail", "none"):
        world = powered(unit(channel(offset_v=0.03, fault=fault), feed=IDEAL))
        found[fault] = burst(world, 1.0), volts(world, "output A", ON_NS, np.array([0.25e-3]))[0]
    assert found["dead"][1] == pytest.approx(0.03)
    assert found["open"][1] == 0.0
    assert sum(found["open"][0].load_j) + found["open"][0].supply_j == 0.0
    assert found["at the rail"][1] == pytest.approx(30.0)
    assert found["at the rail"][0].load_j[0] == pytest.approx(30.0**2 / 8.0 * 0.05)
    assert found["none"][1] == pytest.approx(0.03 + 10.0 * math.sqrt(2.0))


def test_shorted_output() -> None:
    """30 milliohm across 8 ohm behind 20 milliohm: 0.0298879/0.0498879 of the volts, and all the power in the unit."""
    world = powered(unit(channel(output_ohm=0.02, fault="shorted"), feed=IDEAL))
    row = burst(world, 0.01)
    part = 1.0 / (1.0 / 8.0 + 1.0 / 0.03)
    expected_v = 0.1 * math.sqrt(2.0) * part / (part + 0.02)
    assert volts(world, "output A", ON_NS, np.array([0.25e-3]))[0] == pytest.approx(expected_v, rel=1e-9)
    assert row.load_j[0] == pytest.approx(expected_v**2 / 2.0 / 8.0 * 0.05, rel=1e-4)
    assert row.heat_j[0] > 100.0 * row.load_j[0]


def test_both_channels_of_a_class_h_unit_share_a_soft_rail() -> None:
    """A current limit that is never reached changes nothing; one that is takes power away (meaning of a limit)."""
    truth = unit(
        channel("A", stage=StageTruth("H")), channel("B", stage=StageTruth("H")), rail=RailTruth(30.0, 0.5, 0.006)
    )
    free, limited = powered(truth, 4.0), powered(truth, 4.0, limit_a=1000.0)
    rows = [burst(world, 2.4, 20) for world in (free, limited)]
    assert rows[0] == rows[1]
    tight = burst(powered(truth, 4.0, limit_a=8.0), 2.4, 20)
    assert sum(tight.load_j) < sum(rows[0].load_j)


@pytest.mark.parametrize(
    "stage",
    [StageTruth("AB"), StageTruth("D", conduction_ohm=0.3), StageTruth("H", low_rail_part=0.4, crossing_v=0.3)],
)
def test_one_instant_is_as_the_whole_wave(stage: StageTruth) -> None:
    """The quick form, used while the supply limits, is the same law as the one that the closed forms above check."""
    truth = ChannelTruth("A", stage=stage, crossover_v=0.05, most_a=6.0)
    wanted = np.linspace(-40.0, 40.0, 801)
    rail = np.full_like(wanted, 27.3)
    out = shaped(wanted, rail, truth, 4.02)
    whole = rail_amps(out, out / 4.02, rail, truth)
    once = np.array([taken_once(v, 27.3, truth, 4.02) for v in wanted.tolist()])
    assert np.max(np.abs(whole - once)) < 1e-12
    assert np.max(once) > 3.0


@pytest.mark.parametrize("output_class", ["D", "H"])
def test_a_limit_just_above_what_is_needed_changes_nothing_but_the_method(output_class: str) -> None:
    """Rounds without a limit, points in turn with one: both must solve the same equation of the rail."""
    stage = StageTruth(output_class, conduction_ohm=0.1)  # type: ignore[arg-type]
    truth = unit(channel(stage=stage), rail=RailTruth(30.0, 0.5, 0.006), feed=FeedTruth(idle_a=1.0, efficiency=1.0))
    free = powered(truth, 4.0)
    free.fire(ON_NS, 2.4, 1000.0, 20)
    t_s = np.linspace(0.0, 0.02, 8001)
    most_a = float(np.max(volts(free, "shunt in the supply lead", ON_NS, t_s))) / 0.001
    held = powered(truth, 4.0, limit_a=0.9999 * most_a)
    held.fire(ON_NS, 2.4, 1000.0, 20)
    assert held.supply_limited_between(ON_NS, ON_NS + 20_000_000)
    apart = volts(free, "output A", ON_NS, t_s) - volts(held, "output A", ON_NS, t_s)
    assert np.max(np.abs(apart)) < 3e-3  # 0.01 % of the rail
