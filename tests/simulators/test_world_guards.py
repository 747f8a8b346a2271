"""Limiter, protections, gate, muting, remote line: against their own laws, written here."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from simulators.world.channel_truth import LimiterTruth
from simulators.world.journal import BurstRow, EventRow
from simulators.world.layout import Layout
from simulators.world.unit_truth import FeedTruth, GateTruth, HeatTruth, ProtectionTruth, RailTruth, UnitTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, S, channel, layout, one_cycle, powered, thd, unit, volts

MS = 1_000_000
HZ = 1000.0


def peak_v(world: World, cycle: int, base_ns: int = ON_NS) -> float:
    return float(np.max(np.abs(volts(world, "output A", base_ns, one_cycle(HZ, cycle, 1000)))))


def events(world: World) -> list[tuple[int, str]]:
    return [(row.start_ns, row.text) for row in world.journal if isinstance(row, EventRow)]


def guarded(ohm: float = 4.0, heat: HeatTruth | None = None, **protection: object) -> World:
    truth = replace(unit(channel(), heat=heat), protection=ProtectionTruth(**protection))  # type: ignore[arg-type]
    return powered(truth, ohm)


@pytest.mark.parametrize("ratio", [4.0, 30.0])
def test_limiter_at_rest(ratio: float) -> None:
    """6 dB more at the input are 6/ratio dB more at the output above the threshold; 12 V there."""
    truth = LimiterTruth(12.0, ratio, attack_s=0.001, release_s=0.1)
    found = []
    for wanted_v in (6.0, 12.0, 24.0, 28.0):
        world = powered(unit(channel(limiter=truth)))
        world.fire(ON_NS, wanted_v / 10.0 / math.sqrt(2.0), HZ, 60)
        found.append(peak_v(world, 59))
        assert thd(volts(world, "output A", ON_NS, one_cycle(HZ, 59, 1000))) < 1e-5  # it limits, it does not clip
    assert found[:2] == [pytest.approx(6.0, rel=1e-5), pytest.approx(12.0, rel=1e-5)]
    for wanted_v, out_v in zip((24.0, 28.0), found[2:], strict=True):
        assert math.log(out_v / 12.0) == pytest.approx(math.log(wanted_v / 12.0) / ratio, abs=1e-5)


def test_limiter_attack_and_release() -> None:
    """Detector e' = (A - e)/tau from 0, gain (threshold/e)^(1 - 1/ratio); after the burst it falls with the release."""
    world = powered(unit(channel(limiter=LimiterTruth(10.0, 10.0, 0.004, 0.05))))
    world.fire(ON_NS, 2.0, HZ, 40)
    crest_v = 20.0 * math.sqrt(2.0)
    for k in (0, 2, 5, 20, 39):
        t_s = (k + 0.25) / HZ
        level_v = crest_v * -math.expm1(-t_s / 0.004)
        expected = crest_v * min((10.0 / level_v) ** 0.9, 1.0)
        assert volts(world, "output A", ON_NS, np.array([t_s]))[0] == pytest.approx(expected, rel=1e-9)
    world.fire(ON_NS + 100 * MS, 0.7, HZ, 1)
    level_v = crest_v * math.exp(-0.06 / 0.05)
    small_v = 7.0 * math.sqrt(2.0)
    first = small_v + (level_v - small_v) * math.exp(-0.25e-3 / (0.05 if level_v > small_v else 0.004))
    expected = small_v * min((10.0 / first) ** 0.9, 1.0)
    got = volts(world, "output A", ON_NS + 100 * MS, np.array([0.25e-3]))[0]
    assert got == pytest.approx(expected, rel=1e-6)


def test_limiter_keeps_the_early_cycles_loud() -> None:
    """What practice warns of: the first cycles clip while the last are clean (common practice, no source)."""
    world = powered(unit(channel(limiter=LimiterTruth(15.0, 20.0, 0.003, 0.3))))
    world.fire(ON_NS, 4.0, HZ, 20)
    first, last = (thd(volts(world, "output A", ON_NS, one_cycle(HZ, k, 2000))) for k in (0, 19))
    assert first > 0.03
    assert last < 1e-3


def test_over_current_cuts_and_returns() -> None:
    """4 A x 4 ohm = 16 V: a 24 V crest passes it at asin(16/24); the cut comes 5 ms later, for 300 ms."""
    world = guarded(over_a=4.0, delay_s=0.005, returns_after_s=0.3)
    world.fire(ON_NS, 2.4 / math.sqrt(2.0), HZ, 500)
    due_s = math.asin(16.0 / 24.0) / (2.0 * math.pi * HZ) + 0.005
    before, after, still, back = volts(
        world, "output A", ON_NS, np.array([due_s - 0.3e-3, due_s + 5e-6, due_s + 0.2, due_s + 0.3025])
    )
    assert abs(before) > 1.0
    assert (after, still) == (0.0, 0.0)
    assert abs(back) > 0.1
    world.tone_at(ON_NS + S)
    (at_ns, text), (again_ns, _) = events(world)
    assert text == "protection cut in: current"
    assert (at_ns - ON_NS) * 1e-9 == pytest.approx(due_s, abs=3e-6)  # one point of the grid
    assert (again_ns - at_ns) * 1e-9 == pytest.approx(0.305, abs=2e-4)  # it meets the same crest again


def test_over_current_needs_its_delay_and_its_load() -> None:
    """5 cycles of 1 kHz are over before 8 ms; 8 ohm never reach 4 A at 24 V."""
    for ohm, cycles in ((4.0, 5), (8.0, 500)):
        world = guarded(ohm, over_a=4.0, delay_s=0.008, returns_after_s=0.3)
        world.fire(ON_NS, 2.4 / math.sqrt(2.0), HZ, cycles)
        world.tone_at(ON_NS + S)
        assert events(world) == []
        assert peak_v(world, 1) == pytest.approx(24.0, rel=1e-4)


def test_energy_of_a_burst_that_was_cut_off() -> None:
    """24 V crest into 4 ohm is 72 W, until the cut only; the supply gives what loads and heat get."""
    world = guarded(over_a=4.0, delay_s=0.005 - math.asin(16.0 / 24.0) / (2.0 * math.pi * HZ))
    world.fire(ON_NS, 2.4 / math.sqrt(2.0), HZ, 20)
    world.tone_at(ON_NS + S)
    row = next(row for row in world.journal if isinstance(row, BurstRow))
    assert row.load_j[0] == pytest.approx(72.0 * 0.005, rel=2e-3)
    assert row.supply_j == pytest.approx(sum(row.load_j) + sum(row.heat_j), rel=1e-9)
    assert not row.cut  # the generator gave all its cycles


def alive(world: World, at_ns: int) -> bool:
    world.fire(at_ns, 0.1, HZ, 5)
    return peak_v(world, 2, at_ns) > 1.0


def tripped() -> World:
    """Its protection has cut in and does not return by itself."""
    world = guarded(over_a=4.0)
    world.fire(ON_NS, 2.4 / math.sqrt(2.0), HZ, 20)
    assert not alive(world, ON_NS + 60 * S)
    return world


@pytest.mark.parametrize(("off_s", "lets_go"), [(4.9, False), (5.1, True)])
def test_latched_until_the_supply_was_off(off_s: float, lets_go: bool) -> None:
    """As declared: 5 s without supply."""
    world, off_ns = tripped(), ON_NS + 70 * S
    world.set_supply(off_ns, 24.0, 40.0, False)
    world.set_supply(off_ns + round(off_s * S), 24.0, 40.0, True)
    assert alive(world, off_ns + 10 * S) is lets_go


@pytest.mark.parametrize(("off_s", "lets_go"), [(4.9, False), (5.1, True)])
def test_latched_until_the_remote_line_was_off(off_s: float, lets_go: bool) -> None:
    """As declared: 5 s without the remote line."""
    world, off_ns = tripped(), ON_NS + 70 * S
    world.set_remote(off_ns, "1", False)
    world.set_remote(off_ns + round(off_s * S), "1", True)
    assert alive(world, off_ns + 10 * S) is lets_go


def test_over_temperature_cuts_and_waits_until_it_is_cool() -> None:
    """50 W x 1.2 K/W from 22 degC: 60 degC are reached at -600 s ln(1 - 38/60); idle heat alone keeps it there."""
    heat = HeatTruth(1.2, 500.0, 22.0)
    truth = replace(
        unit(heat=heat, feed=FeedTruth(mute_s=0.0, idle_a=50.0 / 24.0)), protection=ProtectionTruth(over_c=60.0)
    )
    world = World(layout(truth))
    world.set_supply(0, 24.0, 40.0, True)
    world.tone_at(2000 * S)
    (at_ns, text), *more = events(world)
    assert text == "protection cut in: heat"
    assert at_ns * 1e-9 == pytest.approx(-600.0 * math.log(1.0 - 38.0 / 60.0), abs=4.1)  # looked at every 4 s
    assert more == []


def test_offset_protection() -> None:
    """2 V of offset against 1 V for 0.5 s from the end of muting; 0.5 V leave it alone."""
    for offset_v, expected in ((2.0, [(1_300_000_000, "protection cut in: offset")]), (0.5, [])):
        truth = replace(unit(channel(offset_v=offset_v)), protection=ProtectionTruth(offset_v=1.0, delay_s=0.5))
        world = World(layout(truth))
        world.set_supply(0, 24.0, 40.0, True)
        world.tone_at(10 * S)
        assert events(world) == expected
        assert volts(world, "output A", 5 * S, np.array([0.0]))[0] == (0.0 if expected else offset_v)


def test_gate_swallows_the_first_cycles() -> None:
    """3 ms to open: cycles 0 to 2 of 1 kHz are gone; open for 2 s after; a burst that is shorter never gets through."""
    world = powered(replace(unit(), gate=GateTruth(0.003, 2.0)))
    world.fire(ON_NS, 1.0, HZ, 20)
    assert [peak_v(world, k) > 10.0 for k in (0, 1, 2, 3, 19)] == [False, False, False, True, True]
    world.fire(ON_NS + S, 1.0, HZ, 20)
    assert peak_v(world, 0, ON_NS + S) > 10.0
    world.fire(ON_NS + 5 * S, 1.0, HZ, 2)
    assert peak_v(world, 1, ON_NS + 5 * S) == 0.0
    world.fire(ON_NS + 5 * S + 200 * MS, 1.0, HZ, None)
    world.rest(ON_NS + 6 * S)
    world.fire(ON_NS + 9 * S, 1.0, HZ, 20)
    assert [peak_v(world, k, ON_NS + 9 * S) > 10.0 for k in (0, 4)] == [False, True]


def test_thump_at_the_end_of_muting() -> None:
    """0.8 s after power: 3 V falling with 50 ms, by itself; no signal needed."""
    world = World(layout(unit(channel(thump_v=3.0, thump_tau_s=0.05))))
    world.set_supply(S, 24.0, 40.0, True)
    before, at, one_tau, long_after = volts(world, "output A", S, np.array([0.799, 0.8, 0.85, 2.0]))
    assert (before, long_after) == (0.0, pytest.approx(0.0, abs=1e-9))
    assert at == pytest.approx(3.0, rel=1e-9)
    assert one_tau == pytest.approx(3.0 / math.e, rel=1e-9)


def test_thump_into_a_load_is_energy() -> None:
    """Integral of (3 exp(-t/tau))^2/R = 9 tau / (2 R), here below a rail that sags under it."""
    bench_unit: UnitTruth = unit(channel(thump_v=3.0, thump_tau_s=0.05), rail=RailTruth(30.0, 0.5, 0.01))
    world = World(layout(bench_unit, 4.0))
    world.set_coils(0, frozenset({"101"}))
    world.set_supply(S, 24.0, 40.0, True)
    t_s = np.linspace(0.8, 1.8, 100_001)
    joules = float(np.trapezoid(volts(world, "output A", S, t_s) ** 2 / 4.0, t_s))
    assert joules == pytest.approx(9.0 * 0.05 / 8.0, rel=1e-4)
    means = world.supply_means(S + 800 * MS, S + 2 * S)
    given_j = (means.amps - 1.1) * means.volts * 1.2
    assert given_j == pytest.approx(30.0 * 3.0 * 0.05 / 4.0 / 0.88, rel=2e-3)  # V0 times the charge, over efficiency


def test_remote_line_by_contact() -> None:
    """Open: standby current only, and silence; closed: muting, then alive."""
    plain = layout(unit(feed=FeedTruth(mute_s=1.0, idle_a=1.2, standby_a=0.012)))
    world = World(Layout((replace(plain.bays[0], remote_contact="116"),), plain.loads))
    world.set_supply(0, 24.0, 40.0, True)
    assert world.supply_means(9 * S, 10 * S).amps == pytest.approx(0.012)
    world.set_coils(10 * S, frozenset({"116"}))
    assert world.supply_means(10 * S + 100 * MS, 11 * S).amps == pytest.approx(0.012)
    assert world.supply_means(12 * S, 13 * S).amps == pytest.approx(1.2)
    world.fire(13 * S, 1.0, HZ, 20)
    assert peak_v(world, 5, 13 * S) > 10.0
    world.set_coils(14 * S, frozenset())
    assert world.supply_means(15 * S, 16 * S).amps == pytest.approx(0.012)
    assert volts(world, "rail", 16 * S, np.array([0.0]))[0] == pytest.approx(24.0)
