"""A 100 V line output: ratio, load through the transformer, and a core that saturates."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.world.channel_truth import TransformerTruth
from simulators.world.core import lost_volts
from simulators.world.journal import BurstRow
from simulators.world.unit_truth import FeedTruth
from simulators.world.world import World
from tests.simulators.world_bench import ON_NS, channel, one_cycle, powered, thd, unit, volts

RATIO = 5.0
TRUTH = TransformerTruth(RATIO, saturation_vs=0.06, winding_ohm=0.3, leak_s=0.4)
IDEAL = FeedTruth(idle_a=0.0, efficiency=1.0)


def line_unit(level_vrms: float, hz: float, cycles: int = 20, ohm: float = 100.0) -> World:
    world = powered(unit(channel(coupling_hz=5.0, transformer=TRUTH), feed=IDEAL), ohm)
    world.fire(ON_NS, level_vrms, hz, cycles)
    return world


def test_ratio_and_winding() -> None:
    """100 ohm on a 1:5 transformer are 4 ohm for the stage; 0.3 ohm of winding in series: 5 x 4/4.3 of the volts."""
    world = line_unit(1.0, 1000.0)
    wave = volts(world, "output A", ON_NS, one_cycle(1000.0, 10))
    expected_vrms = 10.0 * RATIO * 4.0 / 4.3
    assert float(np.std(wave)) == pytest.approx(expected_vrms, rel=1e-4)
    assert thd(wave) < 1e-4
    row = next(row for row in world.journal if isinstance(row, BurstRow))
    assert row.load_j[0] == pytest.approx(expected_vrms**2 / 100.0 * 0.02, rel=1e-3)
    # class B: peak amps x V0 x 2/pi out of the rail, winding's watts in the heat
    assert row.supply_j == pytest.approx(2.0 / math.pi * 30.0 * 10.0 * math.sqrt(2.0) / 4.3 * 0.02, rel=1e-3)
    assert row.supply_j == pytest.approx(sum(row.load_j) + sum(row.heat_j), rel=1e-9)


def test_no_direct_current_gets_through() -> None:
    """A transformer carries none: 50 mV of offset at the stage, nothing at the line."""
    world = powered(unit(channel(offset_v=0.05, transformer=TRUTH)), 100.0)
    assert volts(world, "output A", ON_NS, np.array([0.0]))[0] == 0.0


def test_saturation_depends_on_volt_seconds() -> None:
    """Peak flux V/(2 pi f) of 20 V at the core is 0.064 V s at 50 Hz and 0.032 at 100 Hz; 0.06 V s saturate. Law of
    induction; 5 % from the limit both ways, after the flux of the beginning has died away.
    """
    level_vrms = 20.0 * 4.3 / 4.0 / 10.0 / math.sqrt(2.0)
    found = {}
    for hz, level in ((100.0, level_vrms), (50.0, level_vrms), (50.0, 0.89 * level_vrms)):
        world = line_unit(level, hz, 200)
        found[hz, level] = thd(volts(world, "output A", ON_NS, one_cycle(hz, 190, 4000)))
    clean, saturated, below = found.values()
    assert clean < 1e-3
    assert saturated > 0.01
    assert below < 1e-3


def test_flux_against_a_walk_of_its_own() -> None:
    """flux' = v - flux/leak held within +-0.06 V s, by small Euler steps written here; what is lost is v less
    the flux' of the core.
    """
    dt_s, hz, peak_v = 2e-5, 50.0, 26.0
    t_s = np.arange(6001) * dt_s
    core_v = peak_v * np.sin(2.0 * math.pi * hz * t_s)
    lost, flux = lost_volts(core_v, dt_s, TRUTH, 0.0)
    here, walked = 0.0, [0.0]
    for k in range(6000 * 20):
        volts_now = peak_v * math.sin(2.0 * math.pi * hz * k * dt_s / 20.0)
        here = min(max(here + (volts_now - here / 0.4) * dt_s / 20.0, -0.06), 0.06)
        if k % 20 == 19:
            walked.append(here)
    assert np.max(np.abs(flux - np.array(walked))) < 3e-5
    assert np.max(np.abs(flux)) == 0.06
    through = core_v - lost
    standing = np.abs(np.abs(flux) - 0.06) < 1e-12
    inner = standing[1:-1] & standing[:-2] & standing[2:]
    assert np.max(np.abs(through[1:-1][inner])) < 0.3  # only the leak's own volts


def test_saturation_costs_current() -> None:
    """While saturated only 0.3 ohm of winding limits the current: the supply gives more for less output."""
    rows = []
    for hz in (100.0, 35.0):
        world = line_unit(1.9, hz, 20)
        row = next(row for row in world.journal if isinstance(row, BurstRow))
        rows.append((row.load_j[0] * hz, row.supply_j * hz))
    assert rows[1][0] < 0.9 * rows[0][0]
    assert rows[1][1] > 1.1 * rows[0][1]


def test_flux_is_carried_into_the_next_burst() -> None:
    """A half cycle leaves flux behind; a second one of the same sign soon after meets a core that is nearly full."""
    truth = TransformerTruth(RATIO, 0.1, 0.3, leak_s=10.0)
    waves = []
    for pause_ns in (20_000_000, 59_000_000_000):
        world = powered(unit(channel(transformer=truth), feed=IDEAL), 100.0)
        for start_ns in (ON_NS, ON_NS + 10_000_000 + pause_ns):
            world.fire(start_ns, 1.5, 50.0, 1)
            world.rest(start_ns + 10_000_000)
        t_s = np.arange(1000) * 1e-5
        waves.append(float(np.sum(volts(world, "output A", start_ns, t_s))))
    assert waves[0] < 0.7 * waves[1]
