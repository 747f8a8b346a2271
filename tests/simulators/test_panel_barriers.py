"""interlock-a and cut-off-a against their pages in simulators/panels/MANUALS.md; what their relay does to a unit."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panels.cut_off_a import CutOffA
from simulators.panels.interlock_a import InterlockA
from simulators.world.journal import EventRow
from simulators.world.world import World
from tests.simulators.panel_talk import MS, NO_ERROR, Talk, error
from tests.simulators.world_bench import layout, unit

S = 1_000_000_000


def test_interlock_transcript() -> None:
    world = World(layout(unit()))
    panel, talk = InterlockA(world, "5"), Talk()
    talk.play(panel, [("*IDN?", "NORTHQUAY,IN-8,5,1.2"), ("INPut:STATe? (@401,408,402)", "1,1,1")])
    world.guards.open("402", talk.now_ns + S)
    talk.play(panel, [("INP:STAT? (@402)", "1")])
    talk.now_ns += S
    talk.play(panel, [("INP:STAT? (@401,402)", "1,0"), ("INP:STAT? (@400)", None), error(-222, "Data out of range")])
    world.guards.close("402", talk.now_ns)
    panel.doubtful.add("401")
    talk.play(panel, [("INP:STAT? (@402,401)", "1,9.91E+37"), NO_ERROR])
    assert panel.cost_s("INP:STAT? (@401,402)") == pytest.approx(2e-3)


def test_cut_off_transcript() -> None:
    """Pulled in, fed once, left alone: out 15 ms after its time is over, and not before."""
    world = World(layout(unit()))
    panel, talk = CutOffA(world, "8"), Talk()
    talk.play(panel, [("*IDN?", "BILGE & KEEL,CR-80,8,2.0"), ("REL:STAT?", "0"), ("REL:HOLD?", "1.000")])
    talk.play(panel, [("REL:FEED", None), error(-221, "Settings conflict"), ("REL:STAT?", "0")])
    talk.play(panel, [("REL:HOLD 0.4", None), error(-222, "Data out of range"), ("RELay:HOLD 2", None)])
    talk.play(panel, [("REL:HOLD?", "2.000"), ("RELay:STATe ON", None)])
    on_ns = talk.now_ns
    talk.play(panel, [("RELay:STATe?", "1")])
    talk.now_ns = on_ns + S
    talk.play(panel, [("RELay:FEED", None)])
    fed_ns = talk.now_ns
    assert world.guards.relay_is_in(fed_ns + 2 * S + 14 * MS)
    assert not world.guards.relay_is_in(fed_ns + 2 * S + 15 * MS)
    talk.now_ns = fed_ns + 3 * S
    talk.play(panel, [("REL:STAT?", "0"), ("REL:FEED", None), error(-221, "Settings conflict"), ("REL:STAT?", "0")])
    talk.play(panel, [("REL:STAT ON", None), ("REL:STAT?", "1"), ("REL:STAT OFF", None), ("REL:FEED", None)])
    talk.play(panel, [error(-221, "Settings conflict"), ("REL:STAT?", "0"), NO_ERROR])
    assert panel.cost_s("REL:STAT?") == pytest.approx(0.020)
    assert panel.cost_s("REL:STAT ON") == pytest.approx(0.002)


def test_a_restart_drops_it_and_forgets_its_time() -> None:
    panel, talk = CutOffA(World(layout(unit())), "8"), Talk()
    talk.play(panel, [("REL:HOLD 5", None), ("REL:STAT ON", None), ("REL:STAT?", "1")])
    panel.restart(talk.now_ns)
    talk.play(panel, [("REL:STAT?", "0"), ("REL:HOLD?", "1.000")])


def test_a_welded_relay_stays_in_whatever_it_is_told() -> None:
    """Its question tells the armature."""
    world = World(layout(unit()))
    panel, talk = CutOffA(world, "8"), Talk()
    world.guards.weld(0)
    talk.play(panel, [("REL:STAT?", "0"), ("REL:STAT ON", None), ("REL:STAT?", "1"), ("REL:STAT OFF", None)])
    talk.now_ns += 10 * S
    talk.play(panel, [("REL:STAT?", "1")])
    assert world.guards.relay_is_in(100 * S)


def rail_v(world: World, at_ns: int) -> float:
    volts, _ = world.wires(["rail"], at_ns, np.array([0.0, 0.001]))["rail"]
    return float(np.abs(volts).max())


def test_a_dropped_relay_leaves_the_unit_without_volts() -> None:
    """The supply still shows its volts and gives no current; the unit comes back with the relay, and is muted anew."""
    truth = unit()
    world = World(layout(truth))
    panel, talk = CutOffA(world, "8"), Talk()
    talk.play(panel, [("REL:HOLD 2", None), ("REL:STAT ON", None), ("REL:STAT?", "1")])
    world.set_supply(talk.now_ns, 24.0, 20.0, on=True)
    for _ in range(3):
        talk.now_ns += S
        talk.play(panel, [("REL:FEED", None)])
    powered = world.supply_means(talk.now_ns - 100 * MS, talk.now_ns)
    assert powered.amps == pytest.approx(truth.feed.idle_a, rel=0.01)
    assert rail_v(world, talk.now_ns - 50 * MS) > 23.0
    later_ns = talk.now_ns + 3 * S
    parted = world.supply_means(later_ns - 100 * MS, later_ns)
    assert (parted.volts, parted.amps) == (pytest.approx(24.0), 0.0)
    fallen = math.exp(
        -(3 * S - 2 * S - 15 * MS - 50 * MS) * 1e-9 / truth.feed.bleed_tau_s
    )  # a reservoir on its bleeder
    assert rail_v(world, later_ns - 50 * MS) == pytest.approx(24.0 * fallen, rel=0.01)
    assert EventRow(talk.now_ns + 2 * S + 15 * MS, "cut-off dropped under volts") in world.journal
