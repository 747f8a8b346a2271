"""Loads, contacts and supplies that are not what they are taken for: by Ohm's law and hand arithmetic."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.world.bench_truth import BenchTruth, LoadTruth, SupplyTruth
from simulators.world.journal import BurstRow, EventRow
from simulators.world.unit_truth import FeedTruth, RailTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, S, channel, one_cycle, powered, unit, volts

MS = 1_000_000
SHUNT = "shunt in the load return"


def load_phasor(world: World, hz: float) -> complex:
    """Impedance as seen from the unit: volts over amps."""
    t_s = one_cycle(hz, 10, 20_000)
    turn = np.exp(-2j * np.pi * hz * t_s)
    return complex(
        np.mean(volts(world, "output A", ON_NS, t_s) * turn) / np.mean(volts(world, SHUNT, ON_NS, t_s) * turn)
    )


def test_inductive_load() -> None:
    """5 uH in series with 2 ohm at 20 kHz: |Z| = 2.0964 ohm (+4.8 %), true watts 9 % below V^2/R (hand arithmetic)."""
    bench = BenchTruth(load={"one": LoadTruth(inductance_h=5e-6)}, load_shunt_ohm=1.0)
    world = powered(unit(feed=FeedTruth(idle_a=0.0)), 2.0, bench)
    world.fire(ON_NS, 1.0, 20e3, 400)
    found = load_phasor(world, 20e3)
    expected = 2.0 + 1j * 2.0 * math.pi * 20e3 * 5e-6
    assert abs(found) == pytest.approx(abs(expected), rel=1e-3)
    assert np.angle(found) == pytest.approx(np.angle(expected), abs=2e-3)
    row = next(row for row in world.journal if isinstance(row, BurstRow))
    assert row.load_j[0] / 0.02 == pytest.approx(10.0**2 / 2.0 * (2.0 / abs(expected)) ** 2, rel=2e-3)


def test_contact_resistance() -> None:
    """50 milliohm in contact 101: 4.05 ohm from the unit's terminals; 1.2 % less current."""
    world = powered(unit(), 4.0, BenchTruth(contact_ohm={"101": 0.05}, load_shunt_ohm=1.0))
    world.fire(ON_NS, 1.0, 1000.0, 20)
    assert abs(load_phasor(world, 1000.0)) == pytest.approx(4.05, rel=1e-9)


def test_drifting_load_is_no_contact_that_moves() -> None:
    """A load that has warmed is not taken for one that opened; one that opens is."""
    world = powered(unit(), 4.0, BenchTruth(load={"one": LoadTruth(0.004, 2.0, 20.0)}))
    world.fire(ON_NS, 2.0, 1000.0, None)
    world.set_coils(ON_NS + 60 * S, frozenset({"101", "102"}))
    world.set_coils(ON_NS + 61 * S, frozenset())
    world.tone_at(ON_NS + 62 * S)
    assert [row.text for row in world.journal if isinstance(row, EventRow)] == ["load contact opened under signal"]


@pytest.mark.parametrize(
    ("sense", "at_unit_v", "at_supply_v"), [("supply", 24.0 - 0.3, 24.0), ("unit", 24.0, 24.3), ("open", 24.4, 24.7)]
)
def test_sense_leads(sense: str, at_unit_v: float, at_supply_v: float) -> None:
    """3 A through 100 milliohm of lead: lost at the unit, made good by sensing there, and 0.7 V too much when open."""
    bench = BenchTruth(supply=SupplyTruth(lead_ohm=0.1, sense=sense))  # type: ignore[arg-type]
    world = powered(unit(feed=FeedTruth(idle_a=3.0)), bench=bench)
    assert volts(world, "rail", ON_NS, np.array([0.0]))[0] == pytest.approx(at_unit_v, rel=1e-9)
    means = world.supply_means(ON_NS, ON_NS + 20 * MS)
    assert (means.volts, means.amps) == (pytest.approx(at_supply_v, rel=1e-9), pytest.approx(3.0))


def test_supply_that_is_too_small() -> None:
    """Set to 40 A it gives 6 A and no more, and the terminals fold."""
    bench = BenchTruth(supply=SupplyTruth(most_a=6.0))
    world = powered(unit(rail=RailTruth(30.0, 0.5, 0.008)), 4.0, bench, limit_a=40.0)
    world.fire(ON_NS, 2.4, 1000.0, 200)
    means = world.supply_means(ON_NS + 100 * MS, ON_NS + 120 * MS)
    assert means.amps == pytest.approx(6.0, abs=0.01)
    assert means.volts < 23.0
    assert world.supply_limited(ON_NS + 110 * MS)


def test_gain_mismatch_and_one_load_on_two_channels() -> None:
    """0.5 dB less gain is 10.9 % less power into the same ohms: 10^(-0.05) = 0.8913 (arithmetic)."""
    world = powered(unit(channel("A"), channel("B", gain_db=19.5)), 4.0)
    world.fire(ON_NS, 1.0, 1000.0, 20)
    row = next(row for row in world.journal if isinstance(row, BurstRow))
    assert row.load_j[1] / row.load_j[0] == pytest.approx(0.8913, abs=1e-4)
