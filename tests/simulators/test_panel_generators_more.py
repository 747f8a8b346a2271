"""generator-b and generator-c against their pages in simulators/panels/MANUALS.md: what reaches the world."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panel import Wait
from simulators.panels.front import Front
from simulators.panels.generator_b import GeneratorB
from simulators.panels.generator_c import GeneratorC
from simulators.world.journal import BurstRow
from simulators.world.world import World
from tests.simulators.pages import Lines, said
from tests.simulators.panel_talk import Talk
from tests.simulators.world_bench import ON_NS, S, powered, unit, volts

QUIET = "(nothing)"
B_SET_UP = ["OUTP:LOAD HIGH", "VOLT 1.4142", "FREQ 1000", "BM:NCYC 20", "BM:SOUR BUS", "BM:STAT ON", "OUTP ON"]
C_SET_UP = [
    "A:OUT LOAD,HIGH",
    "A:WAVE FREQ,1000,PEAK,0.7071",
    "A:BURST STATE,ON,COUNT,20,START,HAND",
    "A:OUT ON",
]
KINDS = [(GeneratorB, B_SET_UP, "*TRG"), (GeneratorC, C_SET_UP, "A:FIRE")]
NO_B, NO_C = ("SYST:ERR?", '0,"No error"'), ("FAULT?", "FAULT 0,NONE")


def bench(kind: type[GeneratorB] | type[GeneratorC]) -> tuple[World, Front, Talk]:
    world = powered(unit())
    return world, kind(world, "7"), Talk(ON_NS)


def silently(panel: Front, talk: Talk, *messages: str) -> None:
    for message in messages:
        assert said(panel, talk, message) == QUIET


def play(panel: Front, talk: Talk, lines: Lines) -> None:
    assert [(message, said(panel, talk, message)) for message, _ in lines] == lines


@pytest.mark.parametrize(("kind", "set_up", "fire"), KINDS)
def test_the_crest_of_a_burst_is_that_of_the_level_set(
    kind: type[GeneratorB] | type[GeneratorC], set_up: list[str], fire: str
) -> None:
    """1.4142 Vpp and 0.7071 V peak are the same crest, by definition; 20 cycles of 1 kHz are 20 ms."""
    world, panel, talk = bench(kind)
    silently(panel, talk, *set_up, fire)
    fired_ns = talk.now_ns
    assert volts(world, "input", fired_ns, np.array([0.25e-3]))[0] == pytest.approx(0.7071, rel=1e-9)
    silently(panel, talk, fire)  # refused while one runs
    talk.now_ns += S
    (row,) = [one for one in world.journal if isinstance(one, BurstRow)]
    assert (row.start_ns, row.end_ns - row.start_ns, row.cycles, row.cut) == (fired_ns, 20_000_000, 20, False)


@pytest.mark.parametrize(("kind", "set_up", "fire"), KINDS)
def test_output_off_ends_a_burst_at_once(
    kind: type[GeneratorB] | type[GeneratorC], set_up: list[str], fire: str
) -> None:
    world, panel, talk = bench(kind)
    silently(panel, talk, *set_up, fire, "OUTP OFF" if kind is GeneratorB else "A:OUT OFF")
    assert world.tone_at(talk.now_ns) is None
    (row,) = [one for one in world.journal if isinstance(one, BurstRow)]
    assert row.cut


@pytest.mark.parametrize(
    ("kind", "set_up", "trap"),
    [
        (GeneratorB, B_SET_UP, "BM:STAT OFF"),
        (GeneratorB, B_SET_UP, "BM:SOUR INT"),
        (GeneratorB, B_SET_UP, "APPL:SIN 1000,0.5,0"),
        (GeneratorB, [*B_SET_UP, "OUTP OFF"], "APPL:SIN 1000,0.5,0"),
        (GeneratorC, C_SET_UP, "A:BURST STATE,OFF"),
        (GeneratorC, C_SET_UP, "A:BURST START,SELF"),
    ],
)
def test_the_traps_of_the_pages_give_a_tone_without_end(
    kind: type[GeneratorB] | type[GeneratorC], set_up: list[str], trap: str
) -> None:
    world, panel, talk = bench(kind)
    silently(panel, talk, *set_up)
    assert world.tone_at(talk.now_ns) is None
    silently(panel, talk, trap)
    tone = world.tone_at(talk.now_ns + 100 * S)
    assert tone is not None
    assert tone.cycles is None


def test_b_waits_for_the_end_of_a_burst_and_c_does_not() -> None:
    _, panel, talk = bench(GeneratorB)
    silently(panel, talk, *B_SET_UP, "*TRG")
    fired_ns = talk.now_ns
    assert talk.ask(panel, "*OPC?") == Wait(fired_ns + 20_000_000)
    _, panel, talk = bench(GeneratorC)
    silently(panel, talk, *C_SET_UP, "A:FIRE")
    fired_ns = talk.now_ns
    assert said(panel, talk, "*OPC?") == "1"
    assert talk.now_ns - fired_ns == 5_000_000


def test_b_load_changes_the_number_and_c_load_the_volts() -> None:
    """50 ohm into 50 ohm halve the e.m.f.: b shows twice as much for HIGH; of c the same number is half the e.m.f."""
    world, panel, talk = bench(GeneratorB)
    play(panel, talk, [("VOLT 0.5", QUIET), ("OUTP:LOAD HIGH", QUIET), ("VOLT?", "1.0000"), NO_B])
    silently(panel, talk, *B_SET_UP[2:], "*TRG")
    assert volts(world, "input", talk.now_ns, np.array([0.25e-3]))[0] == pytest.approx(0.5, rel=1e-9)
    for load, crest_v in (("50", 1.0), ("HIGH", 0.5)):
        world, panel, talk = bench(GeneratorC)
        silently(panel, talk, "A:WAVE PEAK,0.5", "A:BURST STATE,ON,COUNT,20,START,HAND")
        silently(panel, talk, f"A:OUT ON,LOAD,{load}", "A:FIRE")
        assert "PEAK,0.5000V" in said(panel, talk, "A:WAVE?")
        base_ns = talk.now_ns - 5_000_000
        assert volts(world, "input", base_ns, np.array([0.25e-3]))[0] == pytest.approx(crest_v, rel=1e-9)


def test_b_limits() -> None:
    """Page: 20 Vpp, and offset with peak within 10 V, at HIGH; half of both at 50; APPLy takes all or nothing."""
    _, panel, talk = bench(GeneratorB)
    range_, conflict = ("SYST:ERR?", '-222,"Data out of range"'), ("SYST:ERR?", '-221,"Settings conflict"')
    play(panel, talk, [("VOLT 10", QUIET), NO_B, ("VOLT 10.1", QUIET), range_, ("VOLT?", "10.0000")])
    play(panel, talk, [("VOLT:OFFS 0.1", QUIET), conflict, ("VOLT 8", QUIET), ("VOLT:OFFS 1", QUIET), NO_B])
    play(panel, talk, [("OUTP:LOAD HIGH", QUIET), ("VOLT:OFFS?", "2.0000"), ("VOLT?", "16.0000"), NO_B])
    play(panel, talk, [("APPL:SIN 50,21,0", QUIET), range_, ("FREQ?", "1000.000"), ("OUTP?", "0")])
    play(panel, talk, [("APPL:SIN 50,2", QUIET), ("SYST:ERR?", '-109,"Missing parameter"')])
    play(panel, talk, [("APPL:SIN 50,2,0", QUIET), ("FREQ?;:VOLT?;:OUTP?;:BM:STAT?", "50.000;2.0000;1;0")])


def test_c_carries_a_list_out_up_to_the_first_refusal() -> None:
    """Page: from left to right, those before it stand; a list of odd length or one without a number is fault 12."""
    world, panel, talk = bench(GeneratorC)
    play(panel, talk, [("A:WAVE FREQ,50,PEAK,99,SHIFT,1", QUIET), ("FAULT?", "FAULT 13,RANGE")])
    play(panel, talk, [("A:WAVE?", "A:WAVE SHAPE,SINE,FREQ,50.000HZ,PEAK,0.1000V,SHIFT,0.0000V"), NO_C])
    for message in ("A:WAVE FREQ", "A:WAVE FREQ,FAST", "A:WAVE SHAPE,SQUARE", "A:OUT MAYBE", "A:WAVE FREQ,50HZ"):
        play(panel, talk, [(message, QUIET), ("FAULT?", "FAULT 12,KEY")])
    play(panel, talk, [("A:FIRE;A:FIRE", QUIET), ("*TRG", QUIET), ("FAULT?", "FAULT 11,COMMAND"), NO_C])
    play(panel, talk, [("A:OUT LOAD,HIGH", QUIET), ("A:WAVE PEAK,9", QUIET), ("A:OUT LOAD,50", QUIET), NO_C])
    assert "PEAK,5.0000V" in said(panel, talk, "A:WAVE?")
    silently(panel, talk, "A:OUT ON")
    crest_v = np.max(np.abs(volts(world, "input", talk.now_ns, np.linspace(0.0, 0.02, 2001))))
    assert crest_v == pytest.approx(10.0, rel=1e-6)


def test_b_phase_is_the_idle_level_too() -> None:
    world, panel, talk = bench(GeneratorB)
    silently(panel, talk, *B_SET_UP, "BM:PHAS 90")
    assert volts(world, "input", talk.now_ns, np.array([0.01]))[0] == pytest.approx(0.7071, rel=1e-9)
    assert math.isclose(float(said(panel, talk, "BM:PHAS?")), 90.0)
