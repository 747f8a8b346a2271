"""generator-a against its page in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panel import Wait
from simulators.panels.generator_a import GeneratorA
from simulators.world.journal import BurstRow
from simulators.world.world import World
from tests.simulators.panel_talk import NO_ERROR, Talk, error
from tests.simulators.world_bench import ON_NS, S, powered, unit, volts

SET_UP = [
    ("OUTP1:LOAD INF", None),
    ("SOUR1:VOLT:UNIT VRMS", None),
    ("SOUR1:VOLT 0.5", None),
    ("SOUR1:FREQ 1000", None),
    ("SOUR1:BURS:NCYC 20", None),
    ("SOUR1:BURS:STAT ON", None),
    ("TRIG1:SOUR BUS", None),
    ("OUTP1 ON", None),
    NO_ERROR,
]


def bench() -> tuple[World, GeneratorA, Talk]:
    world = powered(unit())
    return world, GeneratorA(world, "0815"), Talk(ON_NS)


def test_literal_transcript() -> None:
    _, panel, talk = bench()
    talk.play(panel, [("*IDN?", "HARBOUR INSTRUMENTS,FG-1,0815,1.4"), ("SOUR1:FUNC SIN", None), *SET_UP])
    talk.play(
        panel,
        [
            ("SOUR1:FUNC?", "SIN"),
            ("SOURce1:FREQuency?", "+1.0000000000E+03"),
            ("SOUR1:VOLT:UNIT?", "VRMS"),
            ("SOUR1:VOLT?", "+5.0000000E-01"),
            ("SOUR1:VOLT:OFFS?", "+0.0000000E+00"),
            ("OUTP1:LOAD?", "9.9E+37"),
            ("SOUR1:BURS:MODE TRIG", None),
            ("SOUR1:BURS:MODE?", "TRIG"),
            ("SOUR1:BURS:NCYC?", "+20"),
            ("SOUR1:BURS:PHAS?", "+0.0000000E+00"),
            ("SOUR1:BURS:STAT?", "1"),
            ("TRIG1:SOUR?", "BUS"),
            ("OUTP1:STAT?", "1"),
            ("SOUR1:BURS:NCYC INF", None),
            ("SOUR1:BURS:NCYC?", "9.9E+37"),
            ("*RST", None),
            ("SOUR1:VOLT:UNIT?", "VPP"),
            ("OUTP1:LOAD?", "+5.0000000E+01"),
            ("TRIG1:SOUR?", "IMM"),
            ("OUTP1?", "0"),
            ("SOUR1:BURS:STAT?", "0"),
        ],
    )
    assert panel.cost_s("SOUR1:FREQ?") == pytest.approx(1e-3)


def test_load_setting_changes_the_number_only() -> None:
    """50 to infinite doubles the number; the e.m.f. stays; no error."""
    _, panel, talk = bench()
    talk.play(panel, [("SOUR1:VOLT:UNIT VRMS", None), ("SOUR1:VOLT 0.5", None), ("OUTP1:LOAD INF", None)])
    talk.play(panel, [("SOUR1:VOLT?", "+1.0000000E+00"), NO_ERROR])
    talk.play(panel, [("SOUR1:VOLT:UNIT VPP", None)])
    assert float(talk.text(panel, "SOUR1:VOLT?")) == pytest.approx(2.0 * math.sqrt(2.0), rel=1e-7)


def test_level_limits_and_resolution() -> None:
    """0.1 mV rms to nearest; above 7 V into high impedance, 3.5 V at 50 ohm, or below 0.1 mV: -222."""
    _, panel, talk = bench()
    too_much = error(-222, "Data out of range")
    talk.play(panel, [("SOUR1:VOLT:UNIT VRMS", None), ("SOUR1:VOLT 3.5", None), NO_ERROR])
    talk.play(panel, [("SOUR1:VOLT 3.6", None), too_much, ("OUTP1:LOAD INF", None), ("SOUR1:VOLT?", "+7.0000000E+00")])
    talk.play(panel, [("SOUR1:VOLT 7.1", None), too_much, ("SOUR1:VOLT 4E-5", None), too_much])
    talk.play(panel, [("SOUR1:VOLT 0.12346", None), ("SOUR1:VOLT?", "+1.2350000E-01"), NO_ERROR])
    talk.play(panel, [("SOUR1:VOLT 6", None), ("SOUR1:VOLT:OFFS 2", None), error(-221, "Settings conflict")])


def test_a_burst_reaches_the_world_and_opc_waits_for_its_end() -> None:
    world, panel, talk = bench()
    talk.play(panel, SET_UP)
    talk.play(panel, [("*TRG", None)])
    fired_ns = talk.now_ns
    talk.play(panel, [("*TRG", None)])
    wait = talk.ask(panel, "*OPC?")
    assert wait == Wait(fired_ns + 20_000_000)
    talk.now_ns = fired_ns + 20_000_000
    assert panel.execute("*OPC?", talk.now_ns) == b"1\n"
    talk.play(panel, [error(-211, "Trigger ignored"), NO_ERROR])
    crest_v = volts(world, "input", fired_ns, np.array([0.25e-3]))[0]
    assert crest_v == pytest.approx(0.5 * math.sqrt(2.0), rel=1e-9)
    (row,) = world.journal
    assert isinstance(row, BurstRow)
    assert (row.start_ns, row.cycles, row.cut) == (fired_ns, 20, False)


def test_a_message_that_waits_is_not_begun_again() -> None:
    """*TRG;*OPC? in one message fires once."""
    world, panel, talk = bench()
    talk.play(panel, SET_UP)
    wait = talk.ask(panel, "*TRG;*OPC?;OUTP1?")
    assert isinstance(wait, Wait)
    assert wait.until_ns is not None
    panel.connected()  # another client may come meanwhile
    assert panel.execute("*TRG;*OPC?;OUTP1?", wait.until_ns) == b"1;1\n"
    assert len(world.journal) == 1
    talk.now_ns = wait.until_ns
    talk.play(panel, [NO_ERROR])


@pytest.mark.parametrize("missing", ["SOUR1:BURS:STAT ON", "TRIG1:SOUR BUS", "OUTP1 ON"])
def test_no_trigger_unless_all_is_ready(missing: str) -> None:
    _, panel, talk = bench()
    talk.play(panel, [line for line in SET_UP if line[0] != missing])
    talk.play(panel, [("*TRG", None), error(-211, "Trigger ignored")])


@pytest.mark.parametrize("trap", ["SOUR1:BURS:STAT OFF", "TRIG1:SOUR IMM"])
def test_without_a_counted_burst_the_tone_does_not_end(trap: str) -> None:
    """The trap of the page: burst off, or source IMM, and the output on."""
    world, panel, talk = bench()
    talk.play(panel, [*SET_UP, (trap, None)])
    tone = world.tone_at(talk.now_ns + 100 * S)
    assert tone is not None
    assert tone.cycles is None
    talk.now_ns += 100 * S
    talk.play(panel, [("OUTP1 OFF", None)])
    assert world.tone_at(talk.now_ns) is None


def test_output_off_ends_a_burst_at_once_and_settings_do_not() -> None:
    world, panel, talk = bench()
    talk.play(panel, [*SET_UP, ("*TRG", None)])
    fired_ns = talk.now_ns
    talk.play(panel, [("SOUR1:VOLT 1", None), ("SOUR1:FREQ 50", None), ("OUTP1 OFF", None)])
    inside, after = volts(world, "input", fired_ns, np.array([2.25e-3, 3.25e-3]))
    assert (inside, after) == (pytest.approx(0.5 * math.sqrt(2.0), rel=1e-9), 0.0)


def test_phase_is_the_idle_level_too() -> None:
    """At 90 degrees the output rests at the crest."""
    world, panel, talk = bench()
    talk.play(panel, [*SET_UP, ("SOUR1:BURS:PHAS 90", None)])
    rest_v = volts(world, "input", talk.now_ns, np.array([0.01]))[0]
    assert rest_v == pytest.approx(0.5 * math.sqrt(2.0), rel=1e-9)
