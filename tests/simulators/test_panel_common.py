"""What all fronts share. Sources: IEEE 488.2 and SCPI-1999 (from memory), and simulators/panels/MANUALS.md."""

from __future__ import annotations

import pytest

from simulators.panels.generator_a import GeneratorA
from simulators.panels.load_switch_a import LoadSwitchA
from simulators.panels.tree import Command, Refused, Tree, units
from simulators.world.world import World
from tests.simulators.panel_talk import NO_ERROR, Talk, error
from tests.simulators.world_bench import layout, unit


def generator() -> GeneratorA:
    return GeneratorA(World(layout(unit())), "0815")


@pytest.mark.parametrize(
    "spelling",
    ["SOUR1:FREQ?", "source1:frequency?", ":SOURCE:FREQ?", "Sour:Frequency?", "OUTP OFF;:SOUR1:FREQ?"],
)
def test_short_and_long_forms(spelling: str) -> None:
    """Only the exact short or the exact long form, case ignored; a missing number means 1."""
    assert Talk().text(generator(), spelling) == "+1.0000000000E+03"


@pytest.mark.parametrize("spelling", ["SOURC1:FREQ?", "SOUR1:FREQU?", "FREQ?", "SOUR1:FREQ1?", "SOUR1?", "NONSENSE"])
def test_other_forms_are_undefined(spelling: str) -> None:
    panel, talk = generator(), Talk()
    talk.play(panel, [(spelling, None), error(-113, "Undefined header"), NO_ERROR])


def test_the_node_a_message_stays_at() -> None:
    """`;` stays at the node, `:` goes back to the root, `*` commands leave the node alone."""
    panel, talk = generator(), Talk()
    talk.play(panel, [("SOUR1:FREQ 50;VOLT:UNIT VRMS;*CLS;OFFS 0.5;:OUTP1:LOAD INF", None), NO_ERROR])
    talk.play(panel, [("SOUR1:FREQ?;:SOUR1:VOLT:OFFS?;UNIT?", "+5.0000000000E+01;+1.0000000E+00;VRMS")])
    talk.play(panel, [("SOUR1:BURS:NCYC 5;FREQ 60", None), error(-113, "Undefined header"), NO_ERROR])


def test_error_numbers() -> None:
    """-109 missing, -104 wrong type, -222 out of range, -224 unknown word, -114 suffix; settings stay as they were."""
    panel, talk = generator(), Talk()
    for message, line in [
        ("SOUR1:FREQ", error(-109, "Missing parameter")),
        ("SOUR1:FREQ FAST", error(-104, "Data type error")),
        ("SOUR1:FREQ 2E6", error(-222, "Data out of range")),
        ("SOUR1:VOLT:UNIT DBM", error(-224, "Illegal parameter value")),
        ("SOUR1:FREQ 1,2", error(-108, "Parameter not allowed")),
        ("SOUR2:FREQ 50", error(-114, "Header suffix out of range")),
        ("*TRG?", error(-113, "Undefined header")),
    ]:
        talk.play(panel, [(message, None), line, NO_ERROR])
    talk.play(panel, [("SOUR1:FREQ?", "+1.0000000000E+03"), ("SOUR1:VOLT:UNIT?", "VPP")])


def test_a_query_that_fails_leaves_the_others_their_replies() -> None:
    panel, talk = generator(), Talk()
    talk.play(panel, [("OUTP?;NONSENSE?;:OUTP:LOAD?", "0;+5.0000000E+01"), error(-113, "Undefined header")])


def test_queue_is_twenty_deep_and_survives_reset() -> None:
    """First in, first out; then the last one becomes -350. *RST leaves it, *CLS empties it."""
    panel, talk = generator(), Talk()
    talk.play(panel, [("SOUR1:FREQ", None)] + [("BAD", None)] * 24 + [("*RST", None)])
    read = [talk.text(panel, "SYST:ERR:NEXT?") for _ in range(21)]
    assert read == [
        '-109,"Missing parameter"',
        *['-113,"Undefined header"'] * 18,
        '-350,"Queue overflow"',
        '0,"No error"',
    ]
    talk.play(panel, [("BAD", None), ("*CLS", None), NO_ERROR])


def test_event_register() -> None:
    """128 once after power-on; 32 command error, 16 execution error, 1 operation complete; reading clears."""
    panel, talk = generator(), Talk()
    talk.play(panel, [("*ESR?", "128"), ("*ESR?", "0"), ("BAD", None), ("*ESR?", "32"), ("SOUR1:FREQ 2E6", None)])
    talk.play(panel, [("*ESR?", "16"), ("*OPC", None), ("*ESR?", "1"), ("*ESR?", "0"), ("*OPC?", "1")])
    panel.restart(talk.now_ns)
    talk.play(panel, [NO_ERROR, ("*ESR?", "128")])


def test_marks_inside_brackets_and_quotes_do_not_divide() -> None:
    assert [(u.header, u.query, u.args) for u in units('A:B? (@1,2),"x;y" ; :C;;')] == [
        ("A:B", True, ("(@1,2)", '"x;y"')),
        (":C", False, ()),
    ]


def test_optional_nodes() -> None:
    """Square brackets: may be there or not, and nothing else."""
    tree, command = Tree(), Command(query=lambda _: "")
    tree.add("STATus:QUEStionable[:EVENt]", command)
    for nodes in (["STAT", "QUES"], ["STATUS", "QUES", "EVEN"]):
        assert tree.find(nodes).command is command
    with pytest.raises(Refused):
        tree.find(["STAT", "EVENT"])


def test_channel_lists() -> None:
    """(@list), ranges, order kept; what is no list is a wrong type."""
    panel, talk = LoadSwitchA(World(layout(unit())), "1"), Talk()
    talk.play(panel, [("ROUT:CLOS (@102:104,201)", None), ("ROUT:CLOS? (@201,101,104)", "1,0,1")])
    talk.play(panel, [("ROUT:CLOS 101", None), error(-104, "Data type error")])
    talk.play(panel, [("ROUT:CLOS", None), error(-109, "Missing parameter"), NO_ERROR])
