"""The flaws, each with the step and the words by which a proof must name it."""

from __future__ import annotations

import math
from typing import Any

from sequencer.faults_file import DeclaredBarrierFault
from sequencer.plan.models import Bench, Input
from simulators.faults import LinkFault, LinkFaults
from tests.wire import bench_flaws_replies as reply
from tests.wire.bench_flaws import (
    Flaw,
    around,
    contacts_as,
    converter,
    coupled_ac,
    cycles_more,
    done_at_once,
    drawn_through,
    exchanged,
    fired,
    frequency_times,
    ignores,
    input_truth,
    late_replies,
    level_times,
    no_over_voltage,
    offset_more,
    probe_on,
    reads_its_setting,
    refuses,
    restarts,
    sense_open,
    stays_on,
    supply_fed,
    taken_as_dbv,
    trigger_later,
)

VPP_PER_VRMS = 2.0 * math.sqrt(2.0)


def factor(value: float) -> Any:
    """What the file says of the loop's probe; a divider of ten is fitted."""

    def says(bench: Bench) -> Bench:
        one: Input = bench.input["ch1"].model_copy(update={"factor": value})
        return bench.model_copy(update={"input": {**bench.input, "ch1": one}})

    return says


def serial(role: str, value: str) -> Any:
    def says(bench: Bench) -> Bench:
        return bench.model_copy(
            update={"role": {**bench.role, role: bench.role[role].model_copy(update={"serial": value})}}
        )

    return says


def bits(count: int) -> Any:
    return lambda bench: bench.model_copy(update={"digitiser": bench.digitiser.model_copy(update={"bits": count})})


def first_range(full_scale_v: float) -> Any:
    def says(bench: Bench) -> Bench:
        first = bench.range[0].model_copy(update={"full_scale_v": full_scale_v})
        return bench.model_copy(update={"range": (first, *bench.range[1:])})

    return says


def no_dummy(bench: Bench) -> Bench:
    prove = bench.prove.model_copy(update={"dummy_ohm": None})
    return bench.model_copy(update={"prove": prove})


LEVELS = (
    Flaw("probe said 1, fitted 10", "level", ("0.1 times", "probe factor"), says=factor(1.0)),
    Flaw("probe said 100, fitted 10", "level", ("10 times", "probe factor"), says=factor(100.0)),
    Flaw("probe said 1000, fitted 10", "level", ("100 times", "probe factor"), says=factor(1000.0)),
    Flaw("load setting 50 ohm", "level", ("load setting 50 ohm",), level_times(2.0)),
    Flaw("level halved", "level", ("an input of 50 ohm",), level_times(0.5)),
    Flaw("taken as Vpp", "level", ("V peak to peak",), level_times(1.0 / VPP_PER_VRMS)),
    Flaw("Vpp taken as V rms", "level", ("V rms taken for V peak to peak",), level_times(VPP_PER_VRMS)),
    Flaw("taken as V peak", "level", ("taken as V peak, V rms were sent",), level_times(math.sqrt(0.5))),
    Flaw("V peak taken as V rms", "level", ("V peak were sent",), level_times(math.sqrt(2.0))),
    Flaw("taken as dBV", "level", ("does not go with", "dBV"), fired(taken_as_dbv)),
    Flaw("50 ohm and Vpp together", "level", ("peak to peak",), level_times(2.0 / VPP_PER_VRMS)),
    Flaw("mV for V", "signal", ("no tone of 1 Vrms", "a thousand times off: V for mV"), level_times(0.001)),
    Flaw("a millionth", "signal", ("no tone of 1 Vrms", "nor of 4 Vrms", "nothing shows"), level_times(1e-6)),
)
TIMES = (
    Flaw("kHz for Hz", "signal", ("kHz for Hz",), frequency_times(1000.0)),
    Flaw("samples twice as fast as told", "frequency", ("0.5 times", "sample rate"), converter(clock_ppm=1e6)),
    Flaw("samples half as fast as told", "frequency", ("2 times", "sample rate"), converter(clock_ppm=-5e5)),
    Flaw("a clock 600 ppm off", "frequency", ("ppm", "one of the two clocks"), converter(clock_ppm=-600.0)),
    Flaw("one cycle more", "cycles", ("1 cycles has 2.0",), cycles_more(1)),
    Flaw("one cycle less", "cycles", ("8 cycles has 7.0",), cycles_more(-1)),
    Flaw("goes on after a burst", "signal", ("not fired", "still goes on"), fired(lambda one: one.update(cycles=None))),
    Flaw("trigger late", "trigger", ("trigger comes late",), trigger_later(200_000)),
    Flaw("trigger jitters", "trigger", ("jitters",), trigger_later(0, 40_000, 10_000, 25_000)),
    Flaw("done before fired", "done", ("before it was started",), done_at_once(armed=True)),
    Flaw("done before full", "done", ("too early",), done_at_once(armed=False)),
)
SAMPLES = (
    Flaw("inverted", "cycles", ("inverted",), level_times(-1.0)),
    Flaw("lead on another input", "signal", ("ch2", "swapped"), probe_on(2)),
    Flaw("no lead at all", "signal", ("no tone",), lambda bench: bench.world.probes.clear()),
    Flaw("generator's offset", "direct current", ("rests at +0.1",), offset_more(0.1)),
    Flaw("input's offset", "direct current", ("rests at",), input_truth(offset_error_v=0.02)),
    Flaw("AC for DC", "direct current", ("coupling AC",), around("digitiser", coupled_ac)),
    Flaw("hum of an open ground", "clean sine", ("not a clean sine",), input_truth(open_ground_hum_v=0.004)),
    Flaw("a middle bit stuck", "clean sine", ("bit 6 of 12", "stuck"), links={"digitiser": reply.bit_stuck(6)}),
    Flaw("one bit fewer than said", "signal", ("fewer bits",), converter(bits=11), about="ch1"),
    Flaw("one bit more than said", "signal", ("more bits",), says=bits(11)),
    Flaw("range ends not told", "overload", ("not marked",), links={"digitiser": reply.ends_missing()}),
    Flaw("bytes swapped", "signal", ("byte order",), links={"digitiser": reply.bytes_swapped()}),
    Flaw("a sample lost", "signal", ("a block of", "samples"), links={"digitiser": reply.last_sample_lost()}),
    Flaw("a byte more than counted", "signal", ("block",), links={"digitiser": reply.count_one_less()}),
    Flaw("a range it has not", "settings", ("range 0.1 V", "reads back 0.2 V"), says=first_range(0.1)),
)
TALK = (
    Flaw("-222 on a set", "settings", ("frequency", "-222"), refuses("generator", "SOUR1:FREQ", -222)),
    Flaw("-221 on a set", "settings", ("volts", "-221"), refuses("supply", "VOLT ", -221)),
    Flaw(
        "level told in mV",
        "settings",
        ("level", "1000 times what was sent", "V or mV"),
        links={"generator": reply.fields("SOUR1:VOLT?", lambda f: [1000.0 * f[0]])},
    ),
    Flaw(
        "limit told in mA",
        "settings",
        ("limit", "1000 times what was sent", "A or mA"),
        links={"supply": reply.fields("CURR?", lambda f: [1000.0 * f[0]])},
    ),
    Flaw(
        "level told in Vpp",
        "settings",
        ("level", "2.828 times what was sent", "V peak to peak"),
        links={"generator": reply.fields("SOUR1:VOLT?", lambda f: [VPP_PER_VRMS * f[0]])},
    ),
    Flaw("a set that is ignored", "settings", ("cycles", "reads back"), ignores("generator", "SOUR1:BURS:NCYC 50")),
    Flaw(
        "errors never queued",
        "error queue",
        ("never seen",),
        links={"supply": reply.always("SYST:ERR?", b'0,"No error"')},
    ),
    Flaw("late replies of the generator", "replies", ("late reply",), late_replies("generator", 9), about="generator"),
    Flaw("late replies of the supply", "replies", ("late reply",), late_replies("supply", 12), about="supply"),
    Flaw("another serial", "identity", ("FG-3306", "another instrument"), says=serial("generator", "FG-9999")),
    Flaw("another maker", "identity", ("wanted",), links={"supply": reply.always("*IDN?", b"NOBODY,X,1,1")}),
    Flaw("restarted in between", "no restart", ("power-on event",), restarts("thermometer", 30), about="thermometer"),
    Flaw("generator restarted", "no restart", ("power-on event",), restarts("generator", 230), about="generator"),
    Flaw(
        "a link that drops",
        "settings",
        ("ended the connection",),
        links={"load_switch": LinkFaults((LinkFault("closed", at_message=60),))},
    ),
    Flaw(
        "an instrument that is silent",
        "identity",
        ("no answer",),
        links={"thermometer": LinkFaults((LinkFault("silent", at_message=1, times=None),))},
    ),
)
POWER = (
    Flaw(
        "constant voltage read as limit",
        "volts",
        ("wrong way round",),
        links={"supply": reply.bits_exchanged("STAT:QUES:COND?", 0, 1)},
    ),
    Flaw(
        "constant voltage read as a trip",
        "volts",
        ("over_current", "trip bits"),
        links={"supply": reply.bits_shifted("STAT:QUES:COND?", 9)},
    ),
    Flaw("sense leads open", "volts", ("sense leads are open",), sense_open),
    Flaw(
        "mA for A", "volts", ("mA for A",), links={"supply": reply.fields("MEAS:ALL?", lambda f: [f[0], 1000.0 * f[1]])}
    ),
    Flaw(
        "volts and amps swapped",
        "volts",
        ("volts and amps swapped",),
        links={"supply": reply.fields("MEAS:ALL?", lambda f: f[::-1])},
    ),
    Flaw(
        "resistor not there",
        "volts",
        ("not connected",),
        lambda bench: setattr(bench.world.laid, "dummy_ohm", math.inf),
    ),
    Flaw("a unit left on the lead", "volts", ("is a unit connected",), says=no_dummy),
    Flaw("limit not taken", "current limit", ("limit is not taken",), supply_fed(lambda one: one.update(limit_a=80.0))),
    Flaw(
        "limit not told",
        "current limit",
        ("status bits misread",),
        links={"supply": reply.always("STAT:QUES:COND?", b"2")},
    ),
    Flaw("over-voltage trip not taken", "over-voltage trip", ("not taken",), around("supply", no_over_voltage)),
    Flaw("reads its setting", "off", ("the setting, not its terminals",), reads_its_setting()),
    Flaw("on after off", "off", ("output stays on",), stays_on()),
)
CONTACTS = (
    Flaw(
        "a place's contact welded", "places", ("201", "welded"), lambda bench: bench.world.weld(0, frozenset({"201"}))
    ),
    Flaw(
        "a contact that never closes", "places", ("201", "never closes"), contacts_as(lambda closed: closed - {"201"})
    ),
    Flaw("a unit left in a place", "places", ("place 2", "a unit is connected"), drawn_through("205", 20.0)),
    Flaw("two contacts swapped", "places", ("205", "swapped"), contacts_as(exchanged("201", "205"))),
    Flaw(
        "a coil that does not pull", "settings", ("103", "does not close"), ignores("load_switch", "ROUT:CLOS (@103)")
    ),
    Flaw("a coil that stays", "settings", ("104", "stuck"), ignores("load_switch", "ROUT:OPEN (@104)")),
)
WARMTH = (
    Flaw("frozen thermometer", "temperature", ("301", "frozen"), links={"thermometer": reply.frozen_fields("READ?")}),
    Flaw(
        "Fahrenheit",
        "temperature",
        ("Fahrenheit",),
        links={"thermometer": reply.fields_of("READ?", lambda f: [1.8 * c + 32.0 for c in f])},
    ),
    Flaw(
        "kelvins",
        "temperature",
        ("kelvins",),
        links={"thermometer": reply.fields_of("READ?", lambda f: [c + 273.15 for c in f])},
    ),
    Flaw(
        "sensor's poles exchanged",
        "temperature",
        ("poles",),
        links={"thermometer": reply.fields_of("READ?", lambda f: [50.0 - c for c in f])},
    ),
)
FLAWS = (*LEVELS, *TIMES, *SAMPLES, *TALK, *POWER, *CONTACTS, *WARMTH)
BARRIERS = (
    (DeclaredBarrierFault(kind="welded", at_s=0.0), "cut-off", "still in"),
    (DeclaredBarrierFault(kind="open", contact="401", at_s=0.0), "interlock", "reads open"),
)
