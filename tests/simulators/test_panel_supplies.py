"""supply-a, supply-b, load-switch-a and thermometer-a against their pages in simulators/panels/MANUALS.md."""

from __future__ import annotations

import pytest

from simulators.panels.load_switch_a import LoadSwitchA
from simulators.panels.supply_a import SupplyA
from simulators.panels.supply_b import SupplyB
from simulators.panels.thermometer_a import ThermometerA
from simulators.world.bench_truth import BenchTruth, SupplyTruth
from simulators.world.unit_truth import FeedTruth, HeatTruth
from simulators.world.world import World
from tests.simulators.panel_talk import MS, NO_ERROR, Talk, error
from tests.simulators.world_bench import ON_NS, S, layout, powered, unit

CONFLICT = error(-221, "Settings conflict")


def world_with(idle_a: float, **changes: float) -> World:
    feed = FeedTruth(idle_a=idle_a, standby_a=idle_a, mute_s=0.0)
    return World(layout(unit(feed=feed), 4.0), BenchTruth(supply=SupplyTruth(**changes)))


def test_supply_a_transcript() -> None:
    """24 V, 1.25 A idle, 10 milliohm inside: 23.9875 V at the terminals."""
    panel, talk = SupplyA(world_with(1.25, source_ohm=0.01), "77"), Talk()
    talk.play(
        panel,
        [
            ("*IDN?", "BILGE & KEEL,PS-6080,77,3.2"),
            ("VOLT 24", None),
            ("CURR 40", None),
            ("VOLT:PROT 33", None),
            ("VOLT?", "2.40000E+01"),
            ("CURR?", "4.00000E+01"),
            ("VOLT:PROT?", "3.30000E+01"),
            ("STAT:QUES:COND?", "0"),
            ("OUTP ON", None),
            ("OUTP?", "1"),
            ("STAT:QUES:COND?", "2"),
            ("MEAS:VOLT?", "+2.39875E+01"),
            ("MEAS:CURR?", "+1.25000E+00"),
            ("MEAS:ALL?", "+2.39875E+01,+1.25000E+00"),
            ("STAT:QUES?", "2"),
            ("STAT:QUES:EVEN?", "0"),
            ("VOLT 61", None),
            error(-222, "Data out of range"),
            ("VOLT:PROT 23", None),
            CONFLICT,
            ("OUTP:PROT:CLE", None),
            CONFLICT,
            ("OUTP OFF", None),
            ("OUTP:PROT:CLE", None),
            NO_ERROR,
        ],
    )


def test_supply_a_measuring_takes_its_window() -> None:
    """20 ms that begin when asked: a change of current just before does not show, one within shows in part."""
    world = world_with(1.0)
    panel, talk = SupplyA(world, "77"), Talk()
    assert [panel.cost_s(m) for m in ("MEAS:ALL?", "VOLT 24", "MEAS:ALL?;:STAT:QUES:COND?")] == pytest.approx(
        [0.020, 0.002, 0.022]
    )
    talk.play(panel, [("VOLT 24", None), ("CURR 9", None), ("OUTP ON", None), ("MEAS:CURR?", "+1.00000E+00")])
    on_ns = talk.now_ns
    world.set_supply(on_ns + 15 * MS, 24.0, 9.0, False)
    talk.play(panel, [("MEAS:CURR?", "+7.50000E-01")])


def test_supply_a_current_limit_live_and_latched() -> None:
    """Limit below the idle current: bit 0 instead of bit 1, amps at the limit, volts folded in proportion."""
    panel, talk = SupplyA(world_with(2.0), "77"), Talk()
    talk.play(panel, [("VOLT 24", None), ("CURR 9", None), ("OUTP ON", None), ("STAT:QUES?", "2")])
    talk.play(panel, [("CURR 1", None), ("STAT:QUES:COND?", "1"), ("MEAS:ALL?", "+1.20000E+01,+1.00000E+00")])
    talk.play(panel, [("STAT:QUES?", "1"), ("STAT:QUES?", "0"), ("CURR 9", None), ("STAT:QUES:COND?", "2")])
    talk.play(panel, [("STAT:QUES?", "2"), ("STAT:QUES?", "0")])


def test_supply_a_short_limit_in_a_burst_is_latched() -> None:
    """Nobody looked while it limited: the live word is healthy again, the latched one tells."""
    world = powered(unit(), 4.0)
    panel, talk = SupplyA(world, "77"), Talk(ON_NS)
    talk.play(panel, [("VOLT 24", None), ("CURR 6", None), ("OUTP ON", None)])
    talk.now_ns += 2 * S
    talk.play(panel, [("STAT:QUES?", "2")])
    world.fire(talk.now_ns + MS, 2.0, 1000.0, 20)
    talk.now_ns += S
    talk.play(panel, [("STAT:QUES:COND?", "2"), ("STAT:QUES?", "3"), ("STAT:QUES?", "0")])


def test_supply_a_trip() -> None:
    """Output off, bit 9, no way on again until cleared with the output off."""
    panel, talk = SupplyA(world_with(1.0), "77"), Talk()
    talk.play(panel, [("VOLT 24", None), ("CURR 9", None), ("OUTP ON", None), ("STAT:QUES?", "2")])
    panel.trip(talk.now_ns, "over-voltage")
    talk.play(panel, [("OUTP?", "0"), ("STAT:QUES:COND?", "512"), ("STAT:QUES?", "512"), ("OUTP ON", None), CONFLICT])
    talk.play(panel, [("OUTP:PROT:CLE", None), ("STAT:QUES:COND?", "0"), ("OUTP ON", None), ("OUTP?", "1"), NO_ERROR])


def test_supply_b_transcript() -> None:
    """24 V, 1.25 A, 9.6 milliohm inside: 23.988 V."""
    panel, talk = SupplyB(world_with(1.25, source_ohm=0.0096), "GP7"), Talk()
    talk.play(
        panel,
        [
            ("*IDN?", "GANGWAY POWER,GP40-100,GP7,B.07"),
            ("SOUR:VOLT:LEV 24", None),
            ("SOUR:CURR:LEV 40", None),
            ("SOUR:VOLT:PROT:HIGH 33", None),
            ("SOUR:VOLT:LEV?", "24.000"),
            ("SOUR:CURR:LEV?", "40.000"),
            ("SOUR:VOLT:PROT:HIGH?", "33.000"),
            ("CONF:OUTP?", "OFF"),
            ("STAT:OPER:COND?", "0"),
            ("CONF:OUTP ON", None),
            ("CONF:OUTP?", "ON"),
            ("STAT:QUES:COND?", "0"),
            ("STAT:OPER:COND?", "256"),
            ("STAT:OPER?", "256"),
            ("STAT:OPER:EVEN?", "0"),
            ("STAT:QUES:EVEN?", "0"),
        ],
    )
    talk.now_ns += 200 * MS
    talk.play(panel, [("FETC:VOLT?", "VOLT 23.988"), ("FETC:CURR?", "CURR 1.250"), ("SOUR:VOLT:LEV 41", None)])
    talk.play(panel, [error(-222, "Data out of range"), ("SOUR:CURR:LEV 1", None), ("STAT:OPER:COND?", "1024")])
    talk.play(panel, [("STAT:QUES:COND?", "1024"), ("STAT:OPER?", "1024"), ("STAT:QUES?", "1024")])
    assert panel.cost_s("FETC:VOLT?") == pytest.approx(3e-3)


def test_supply_b_shows_the_last_complete_window() -> None:
    """Windows of 50 ms: what changed 20 ms ago, in the window still open, does not show yet."""
    world = world_with(1.0)
    panel, talk = SupplyB(world, "GP7"), Talk()
    talk.play(panel, [("SOUR:VOLT:LEV 24", None), ("SOUR:CURR:LEV 9", None), ("CONF:OUTP ON", None)])
    world.set_supply(S, 24.0, 9.0, False)
    talk.now_ns = S + 20 * MS
    talk.play(panel, [("FETC:CURR?", "CURR 1.000")])
    talk.now_ns = S + 60 * MS
    talk.play(panel, [("FETC:CURR?", "CURR 0.000")])


def test_supply_b_trips_by_itself_above_its_limit() -> None:
    """Over-voltage is bit 0 here; clearing lets it be switched on again."""
    panel, talk = SupplyB(world_with(1.0), "GP7"), Talk()
    talk.play(panel, [("SOUR:VOLT:LEV 24", None), ("SOUR:CURR:LEV 9", None), ("CONF:OUTP ON", None)])
    talk.play(panel, [("SOUR:VOLT:PROT:HIGH 20", None), ("CONF:OUTP?", "OFF"), ("STAT:QUES:COND?", "1")])
    talk.play(panel, [("SOUR:VOLT:PROT:HIGH 33", None), ("CONF:OUTP ON", None), CONFLICT, ("CONF:OUTP?", "OFF")])
    talk.play(panel, [("SYST:PROT:CLE", None), ("CONF:OUTP ON", None), ("CONF:OUTP?", "ON"), ("STAT:QUES?", "1")])


def test_load_switch_transcript() -> None:
    """Coils at once, contacts 15 ms later; an unknown contact changes nothing."""
    world = World(layout(unit()))
    panel, talk = LoadSwitchA(world, "3"), Talk()
    talk.play(panel, [("*IDN?", "HARBOUR INSTRUMENTS,RB-32,3,1.0"), ("ROUT:CLOS? (@101,116,201,208)", "0,0,0,0")])
    talk.play(panel, [("ROUTe:CLOSe (@101,102)", None)])
    closed_ns = talk.now_ns
    talk.play(panel, [("ROUT:CLOS? (@101,102,103)", "1,1,0")])
    assert world.contacts(talk.now_ns) == frozenset()
    assert world.contacts(closed_ns + 15 * MS) == {"101", "102"}
    talk.now_ns = closed_ns + 30 * MS
    talk.play(panel, [("ROUT:OPEN (@101)", None), ("ROUT:CLOS? (@101,102)", "0,1"), ("ROUT:CLOS (@101,117)", None)])
    talk.play(panel, [error(-222, "Data out of range"), ("ROUT:CLOS? (@101,102)", "0,1"), ("ROUT:CLOS (@101)", None)])
    talk.play(panel, [("DIAG:CYCL? (@101)", "2"), ("ROUT:OPEN:ALL", None), ("ROUT:CLOS? (@101,102)", "0,0")])
    assert panel.cost_s("ROUT:OPEN:ALL") == pytest.approx(2e-3)


def test_a_welded_contact_is_not_seen_by_the_coil() -> None:
    """The query answers for the coil."""
    world = World(layout(unit()))
    panel, talk = LoadSwitchA(world, "3"), Talk()
    world.weld(0, frozenset({"101"}))
    talk.play(panel, [("ROUT:OPEN:ALL", None), ("ROUT:CLOS? (@101)", "0")])
    assert world.contacts(S) == {"101"}


def test_thermometer_transcript() -> None:
    """+0.5 K of error at 23 degC; open inputs 9.9E+37; the order is that of the list; 40 ms for each."""
    truth = unit(heat=HeatTruth(ambient_c=23.0))
    panel = ThermometerA(World(layout(truth), BenchTruth(thermometer_error_k={"301": 0.5})), "9")
    talk = Talk()
    talk.play(
        panel,
        [
            ("*IDN?", "LIGHTSHIP,TH-8,9,1.1"),
            ("CONF:TEMP TC,K", None),
            ("UNIT:TEMP C", None),
            ("UNIT:TEMP?", "C"),
            ("READ? (@301)", "+2.35000000E+01"),
            ("READ? (@302,301)", "+9.90000000E+37,+2.35000000E+01"),
            ("READ? (@317)", None),
            error(-222, "Data out of range"),
            ("UNIT:TEMP F", None),
            error(-224, "Illegal parameter value"),
            ("CONF:TEMP TC", None),
            error(-109, "Missing parameter"),
            NO_ERROR,
        ],
    )
    assert panel.cost_s("READ? (@301,302)") == pytest.approx(0.080)
    assert panel.cost_s("UNIT:TEMP?") == pytest.approx(0.002)
    panel.broken.add("301")
    talk.play(panel, [("READ? (@301)", "+9.90000000E+37")])
