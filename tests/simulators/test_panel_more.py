"""supply-c, the load switches, thermometers and meters b and c against their pages in simulators/panels/MANUALS.md."""

from __future__ import annotations

import pytest

from simulators.panels.front import Front
from simulators.panels.load_switch_b import LoadSwitchB
from simulators.panels.load_switch_c import LoadSwitchC
from simulators.panels.meter_b import MeterB
from simulators.panels.meter_c import MeterC
from simulators.panels.supply_c import SupplyC
from simulators.panels.thermometer_b import ThermometerB
from simulators.panels.thermometer_c import ThermometerC
from simulators.world.bench_truth import BenchTruth, MeterTruth, SupplyTruth
from simulators.world.unit_truth import FeedTruth, HeatTruth
from simulators.world.world import World
from tests.simulators.pages import Lines, said
from tests.simulators.panel_talk import MS, Talk
from tests.simulators.world_bench import ON_NS, S, channel, layout, powered, unit

QUIET = "(nothing)"
CONFLICT = ("SYST:ERR?", '-221,"Settings conflict"')
NO_ERROR = ("SYST:ERR?", '0,"No error"')
ON = [("INST:NSEL 1", QUIET), ("VOLT 24", QUIET), ("CURR 9", QUIET), ("OUTP ON", QUIET)]


def play(panel: Front, talk: Talk, lines: Lines) -> None:
    assert [(message, said(panel, talk, message)) for message, _ in lines] == lines


def world_with(idle_a: float, **changes: float) -> World:
    feed = FeedTruth(idle_a=idle_a, standby_a=idle_a, mute_s=0.0)
    return World(layout(unit(feed=feed), 4.0), BenchTruth(supply=SupplyTruth(**changes)))


# supply-c


def test_supply_c_measures_the_selected_output_alone() -> None:
    """24 V less 1.25 A through 10 milliohm: 23.9875 V by Ohm's law. The small outputs feed nothing."""
    world = world_with(1.25, source_ohm=0.01)
    panel, talk = SupplyC(world, "7"), Talk()
    play(panel, talk, [("INST:NSEL 2", QUIET), ("VOLT 5", QUIET), ("OUTP ON", QUIET), ("MEAS:VOLT?", "5.0000 V")])
    assert world.supply_means(0, talk.now_ns).volts == 0.0
    play(panel, talk, [*ON, ("MEAS:VOLT?", "23.9875 V"), ("MEAS:CURR?", "1.2500 A")])
    play(panel, talk, [("INST:NSEL 2", QUIET), ("OUTP OFF", QUIET), ("MEAS:CURR?", "0.0000 A"), NO_ERROR])
    assert world.supply_means(talk.now_ns - MS, talk.now_ns).amps == pytest.approx(1.25)
    play(panel, talk, [("STAT:OUTP2:COND?", "0"), ("STAT:OUTP2?", "8"), ("STAT:OUTP2?", "0"), ("STAT:OUTP1?", "8")])
    play(panel, talk, [("*RST", QUIET), ("INST:NSEL?", "3"), ("STAT:OUTP1:COND?", "0")])
    on_v = world.supply_means(talk.now_ns + 20 * S, talk.now_ns + 21 * S).volts
    assert on_v < 0.01


def test_supply_c_measuring_takes_its_window() -> None:
    """100 ms that begin when asked: 1 A that ends 40 ms later is 0.4 A on average."""
    world = world_with(1.0)
    panel, talk = SupplyC(world, "7"), Talk()
    play(panel, talk, [*ON, ("MEAS:CURR?", "1.0000 A")])
    world.set_supply(talk.now_ns + 40 * MS, 24.0, 9.0, False)
    play(panel, talk, [("MEAS:CURR?", "0.4000 A")])


def test_supply_c_limit_is_bit_2_live_and_latched() -> None:
    """Idle current of 2 A against a limit of 1 A: amps at the limit."""
    panel, talk = SupplyC(world_with(2.0), "7"), Talk()
    play(panel, talk, [*ON, ("STAT:OUTP1?", "8"), ("CURR 1", QUIET), ("STAT:OUTP1:COND?", "4")])
    play(panel, talk, [("MEAS:CURR?", "1.0000 A"), ("STAT:OUTP1?", "4"), ("STAT:OUTP1?", "0"), ("CURR 9", QUIET)])
    play(panel, talk, [("STAT:OUTP1:COND?", "8"), ("STAT:OUTP1?", "8"), ("*CLS", QUIET), ("STAT:OUTP1?", "0")])


@pytest.mark.parametrize(
    ("why", "word", "bit"), [("over-voltage", "OV", "32"), ("over-current", "OC", "64"), ("too hot", "OT", "128")]
)
def test_supply_c_trip_stands_until_cleared(why: str, word: str, bit: str) -> None:
    panel, talk = SupplyC(world_with(1.0), "7"), Talk()
    play(panel, talk, [*ON, ("STAT:OUTP1?", "8")])
    panel.trip(talk.now_ns, why)  # type: ignore[arg-type]
    play(panel, talk, [("OUTP?", "OFF"), ("OUTP:TRIP?", word), ("STAT:OUTP1:COND?", bit), ("STAT:OUTP1?", bit)])
    play(panel, talk, [("OUTP ON", QUIET), CONFLICT, ("INST:NSEL 2;:OUTP:TRIP?;:INST:NSEL 1", "NONE")])
    play(panel, talk, [("OUTP:TRIP:CLE", QUIET), ("OUTP:TRIP?", "NONE"), ("OUTP ON", QUIET), ("OUTP?", "ON"), NO_ERROR])


# load-switch-b, load-switch-c


def test_load_switch_b_moves_the_contacts_it_lists() -> None:
    """15 ms after the coil; plain CLOSe leaves those of its list alone, so only the new one closes once more."""
    world = World(layout(unit()))
    panel, talk = LoadSwitchB(world, "7"), Talk()
    play(panel, talk, [("ROUT:MULT:CLOS (@101,102)", QUIET)])
    closed_ns = talk.now_ns
    assert world.contacts(closed_ns + 15 * MS - 1) == frozenset()
    assert world.contacts(closed_ns + 15 * MS) == {"101", "102"}
    talk.now_ns = closed_ns + 30 * MS
    play(panel, talk, [("ROUT:CLOS (@102,201)", QUIET)])
    assert world.contacts(talk.now_ns + 15 * MS) == {"102", "201"}
    talk.now_ns += 30 * MS
    play(panel, talk, [("ROUT:MULT:CLOS (@101)", QUIET), ("ROUT:CLOS:COUN? (@101,102,201,232)", "2,1,1,0")])
    play(panel, talk, [("ROUT:CLOS? (@101)", QUIET), ("SYST:ERR?", '-108,"Parameter not allowed"')])


def test_load_switch_c_moves_what_the_bits_say() -> None:
    """Terminal 116 is bit 15, 201 bit 16, 232 bit 47; a nought closes. *RST leaves them, power-on opens them."""
    world = World(layout(unit()))
    panel, talk = LoadSwitchC(world, "7"), Talk()
    word = 2**48 - 1 - 2**15 - 2**16 - 2**47
    play(panel, talk, [(f"DIG:OUTP {word}", QUIET)])
    talk.now_ns += 15 * MS
    assert world.contacts(talk.now_ns) == {"116", "201", "232"}
    play(panel, talk, [(f"DIG:OUTP #B{2**48 - 2:b}", QUIET), ("*RST", QUIET)])
    talk.now_ns += 15 * MS
    assert world.contacts(talk.now_ns) == {"101"}
    panel.restart(talk.now_ns)
    talk.now_ns += 15 * MS
    assert world.contacts(talk.now_ns) == frozenset()
    play(panel, talk, [("DIG:OUTP #HXYZ", QUIET), ("SYST:ERR?", '-104,"Data type error"')])
    play(
        panel, talk, [("DIG:OUTP -1", QUIET), ("SYST:ERR?", '-222,"Data out of range"'), ("DIG:OUTP?", str(2**48 - 1))]
    )


# thermometer-b, thermometer-c


def hot() -> World:
    """A heat sink that takes 25 W through 1 K/W: 25 K above what is around it after a few of its 20 s."""
    feed = FeedTruth(idle_a=1.0, standby_a=1.0, mute_s=0.0)
    world = World(layout(unit(feed=feed, heat=HeatTruth(k_per_w=1.0, j_per_k=20.0))))
    world.set_supply(0, 25.0, 10.0, True)
    return world


@pytest.mark.parametrize("kind", [ThermometerB, ThermometerC])
def test_a_wrong_kind_of_sensor_is_wrong_by_a_fifth_of_the_rise(
    kind: type[ThermometerB] | type[ThermometerC],
) -> None:
    """Page: about a fifth of what it is above 25 degrees; with the right one it is the heat sink's temperature."""
    world, talk = hot(), Talk(300 * S)
    panel = kind(world, "7")
    true_c = world.temperature_c("301", talk.now_ns)
    assert true_c is not None
    assert true_c > 40.0

    def read_c() -> float:
        if kind is ThermometerC:
            return float(said(panel, talk, "T301")) / 10.0
        return float(said(panel, talk, "ROUT:SCAN (@301);:READ?"))

    if kind is ThermometerB:
        assert said(panel, talk, "UNIT:TEMP C") == QUIET
    assert read_c() == pytest.approx(true_c - 0.2 * (true_c - 25.0), abs=0.02 * (true_c - 25.0) + 0.05)
    assert said(panel, talk, "TEMP:TC:TYPE K" if kind is ThermometerB else "SK") == (
        QUIET if kind is ThermometerB else "OK"
    )
    assert read_c() == pytest.approx(true_c, abs=0.06)
    panel.broken.add("301")
    assert read_c() in (999.9, 9.9e37)


def test_thermometer_b_tells_kelvin_and_forgets_readings_when_changed() -> None:
    """0 degrees C is 273.15 K, by definition; 1.8 degrees F a kelvin."""
    panel, talk = ThermometerB(hot(), "7"), Talk(600 * S)
    play(panel, talk, [("TEMP:TC:TYPE K", QUIET), ("ROUT:SCAN (@301)", QUIET)])
    found = {}
    for one in "CFK":
        play(panel, talk, [(f"UNIT:TEMP {one}", QUIET), ("FETC?", QUIET), ("*CLS", QUIET)])
        found[one] = float(said(panel, talk, "READ?"))
        assert float(said(panel, talk, "FETC?")) == found[one]
    assert found["F"] == pytest.approx(32.0 + 1.8 * found["C"], abs=0.03)
    assert found["K"] == pytest.approx(273.15 + found["C"], abs=0.02)


# meter-b, meter-c

LEADS: dict[str, tuple[str, ...]] = {"output A": ()}
B_SET_UP = [("CONF:FUNC ACV", QUIET), ("APER 0.2", QUIET)]
C_SET_UP = [('FUNC "ACV"', QUIET), ("INT 200", QUIET)]


def playing(offset_v: float = 3.0, bench: BenchTruth | None = None) -> World:
    """0.5 Vrms behind a gain of 10: 5 Vrms, for 4 s, beside DC."""
    world = powered(unit(channel(offset_v=offset_v)), bench=bench)
    world.fire(ON_NS, 0.5, 1000.0, 4000)
    return world


def test_meters_read_true_rms_of_the_ac_part_alone() -> None:
    b, talk = MeterB(playing(), "7", LEADS), Talk(ON_NS)
    play(b, talk, [*B_SET_UP, ("RANG 5", QUIET)])
    first = said(b, talk, "INIT;:FETC?")
    assert float(first) == pytest.approx(5.0, rel=2e-5)
    assert said(b, talk, "FETC?") == first
    play(b, talk, [("RANG R3V", QUIET), ("INIT;:FETC?", "+9.9E+37")])
    c, talk = MeterC(playing(), "7", LEADS), Talk(ON_NS)
    play(c, talk, [*C_SET_UP, ("RANG 5", QUIET)])
    label, word, number, si = said(c, talk, "VAL?").split()
    assert (label, word, si) == ("VALUE", "ACV", "V")
    assert float(number) == pytest.approx(5.0, rel=2e-5)
    play(c, talk, [("RANG 2", QUIET), ("VAL?", "VALUE ACV OL")])


@pytest.mark.parametrize(
    ("kind", "set_up", "range_vrms", "over"),
    [(MeterB, B_SET_UP, 3.0, 1.1), (MeterC, C_SET_UP, 2.0, 1.2)],
)
def test_a_range_reads_a_little_more_than_its_name(
    kind: type[MeterB] | type[MeterC], set_up: Lines, range_vrms: float, over: float
) -> None:
    """Pages: up to 1.1 and 1.2 times the range; a sine's crest is far below three times."""
    for part, fits in ((0.99, True), (1.01, False)):
        world = powered(unit())
        world.fire(ON_NS, part * over * range_vrms / 10.0, 1000.0, 4000)
        panel, talk = kind(world, "7", LEADS), Talk(ON_NS)
        play(panel, talk, [*set_up, (f"RANG {range_vrms:g}", QUIET)])
        reply = said(panel, talk, "INIT;:FETC?" if kind is MeterB else "VAL?")
        assert (reply not in ("+9.9E+37", "VALUE ACV OL")) is fits


def test_meters_set_to_dc_read_the_mean() -> None:
    """The trap at power-on: the offset alone, whatever tone stands beside it."""
    b, talk = MeterB(playing(), "7", LEADS), Talk(ON_NS)
    assert float(said(b, talk, "INIT;:FETC?")) == pytest.approx(3.0, abs=1e-3)
    c, talk = MeterC(playing(), "7", LEADS), Talk(ON_NS)
    assert float(said(c, talk, "VAL?").split()[2]) == pytest.approx(3.0, abs=1e-3)


def test_meters_have_the_errors_of_their_ranges() -> None:
    """0.3 % of every range and 0.1 % of the one it is on: 5.02 V."""
    for kind, vrms, set_up in (
        (MeterB, 30.0, [*B_SET_UP, ("RANG R30V", QUIET)]),
        (MeterC, 20.0, [*C_SET_UP, ("RANG 20", QUIET)]),
    ):
        world = playing(bench=BenchTruth(meter=MeterTruth(error=0.003, range_errors={vrms: 0.001})))
        panel, talk = kind(world, "7", LEADS), Talk(ON_NS)
        play(panel, talk, set_up)
        reply = said(panel, talk, "INIT;:FETC?" if kind is MeterB else "VAL?")
        assert float(reply.removeprefix("VALUE ACV").removesuffix(" V")) == pytest.approx(5.02, rel=2e-5)


def test_a_reading_of_meter_b_is_of_the_time_when_it_was_begun() -> None:
    """Fetched after the tone is over, it still tells the tone; a change of settings throws it away."""
    panel, talk = MeterB(playing(), "7", LEADS), Talk(ON_NS)
    play(panel, talk, [*B_SET_UP, ("RANG R30V", QUIET), ("INIT", QUIET)])
    talk.now_ns = ON_NS + 5 * S
    assert float(said(panel, talk, "FETC?")) == pytest.approx(5.0, rel=2e-5)
    play(panel, talk, [("APER 0.02", QUIET), ("FETC?", QUIET), ("SYST:ERR?", '-230,"Data corrupt or stale"')])
