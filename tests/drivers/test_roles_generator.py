"""The generator role against literal transcripts of its manual page."""

from __future__ import annotations

import pytest

from drivers.dialect import load_dialect
from drivers.errors import SettingRefused
from drivers.roles.generator import BurstSet, Generator, GeneratorCeilings
from tests.drivers.scripted import Scripted
from tests.drivers.transcripts_generator import FIRE, OUTPUT_ON, PREPARE, SET_BURST

CEILINGS = GeneratorCeilings(level_vrms=4.0, burst_s=10.0, frequency_hz=(20.0, 20_000.0))
DIALECT = load_dialect("generator-a", "generator")


def generator(transcript: str) -> tuple[Generator, Scripted]:
    speaker = Scripted(transcript, name="generator")
    return Generator(speaker, DIALECT, CEILINGS), speaker


async def test_prepare_set_switch_fire() -> None:
    """Transcript of the manual page; 1.23456 Vrms rounds DOWN to the 0.1 mV the page gives."""
    role, speaker = generator(PREPARE + SET_BURST + OUTPUT_ON + FIRE)
    await role.prepare()
    assert await role.set_burst(1.23456, 1000.0, 20) == BurstSet(1.2345, 1000.0, 20)
    await role.output(True)
    await role.fire()
    speaker.done()


# Each: what stands in the transcript, what stands there instead, what the refusal must name.
READ_BACK_OTHERWISE = [
    ("SOURce1:VOLTage?\n< +1.2345000E+00", "SOURce1:VOLTage?\n< +1.2468450E+00", "level"),  # x 1.01
    ("SOURce1:VOLTage?\n< +1.2345000E+00", "SOURce1:VOLTage?\n< +1.2346000E+00", "level"),  # one digit
    ("SOURce1:FREQuency?\n< +1.0000000000E+03", "SOURce1:FREQuency?\n< +1.0000100000E+03", "frequency"),
    ("SOURce1:BURSt:NCYCles?\n< +20", "SOURce1:BURSt:NCYCles?\n< +21", "cycles"),
    ("OUTPut1:LOAD?\n< 9.9E+37", "OUTPut1:LOAD?\n< +5.0000000E+01", "load"),  # +6 dB otherwise
    ("SOURce1:VOLTage:UNIT?\n< VRMS", "SOURce1:VOLTage:UNIT?\n< VPP", "level_unit"),  # -9 dB otherwise
    ("SOURce1:VOLTage:UNIT?\n< VRMS", "SOURce1:VOLTage:UNIT?\n< DBM", "level_unit"),
    ("SOURce1:BURSt:STATe?\n< 1", "SOURce1:BURSt:STATe?\n< 0", "burst"),
]


@pytest.mark.parametrize(("there", "instead", "named"), READ_BACK_OTHERWISE)
async def test_what_reads_back_otherwise_is_refused(there: str, instead: str, named: str) -> None:
    """Truth: the reply differs from what was sent, so no burst may stand."""
    assert there in SET_BURST
    cut = SET_BURST.replace(there, instead)
    role, _ = generator(PREPARE + cut)
    await role.prepare()
    with pytest.raises(SettingRefused, match=named):
        await role.set_burst(1.2345, 1000.0, 20)
    with pytest.raises(SettingRefused, match="no burst is set"):
        await role.fire()


# SCPI-1999 vol. 2, 21.8: -211 trigger ignored, -221 settings conflict, -222 data out of range, -113 header.
@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ('-222,"Data out of range"', "Data out of range.*did not take"),
        ('-221,"Settings conflict"', "Settings conflict.*did not take"),
        ('-224,"Illegal parameter value"', "Illegal parameter value.*did not take"),
        ('-113,"Undefined header"', "Undefined header.*right dialect file"),
        ('-104,"Data type error"', "Data type error"),
    ],
)
async def test_an_entry_in_the_error_queue_refuses_the_setting(entry: str, words: str) -> None:
    """The instrument's own words are in the refusal."""
    head = SET_BURST.split('< 0,"No error"')[0]
    role, speaker = generator(f'{PREPARE}{head}< {entry}\n> SYSTem:ERRor?\n< 0,"No error"')
    await role.prepare()
    with pytest.raises(SettingRefused, match=words):
        await role.set_burst(1.2345, 1000.0, 20)
    speaker.done()


async def test_an_event_in_the_queue_is_no_fault() -> None:
    """SCPI-1999 vol. 2, 21.8: -500 is power on, an event, not an error."""
    drained = '> SYSTem:ERRor?\n< -500,"Power on"\n> SYSTem:ERRor?\n< 0,"No error"'
    role, speaker = generator(PREPARE + SET_BURST + OUTPUT_ON + "> *TRG\n" + drained)
    await role.prepare()
    await role.set_burst(1.2345, 1000.0, 20)
    await role.output(True)
    await role.fire()
    speaker.done()


async def test_a_burst_not_fired_is_said() -> None:
    """Manual page: *TRG while a burst runs queues -211."""
    late = '> *TRG\n> SYSTem:ERRor?\n< -211,"Trigger ignored"\n> SYSTem:ERRor?\n< 0,"No error"'
    role, speaker = generator(PREPARE + SET_BURST + late)
    await role.prepare()
    await role.set_burst(1.2345, 1000.0, 20)
    with pytest.raises(SettingRefused, match="burst not fired"):
        await role.fire()
    speaker.done()


async def test_a_queue_that_never_empties_is_refused() -> None:
    """A faulty unit can answer non-zero for ever; the file's cap of 20 ends it."""
    head = SET_BURST.split("> SYSTem")[0]
    role, speaker = generator(PREPARE + head + '> SYSTem:ERRor?\n< -350,"Queue overflow"\n' * 20)
    await role.prepare()
    with pytest.raises(SettingRefused, match="does not empty"):
        await role.set_burst(1.2345, 1000.0, 20)
    speaker.done()


async def test_a_reopened_link_needs_a_new_preparation() -> None:
    """Settings may be lost with the link: on and fire are refused before anything is sent."""
    role, speaker = generator(PREPARE + SET_BURST)
    await role.prepare()
    await role.set_burst(1.2345, 1000.0, 20)
    speaker.openings += 1
    with pytest.raises(SettingRefused, match="firing refused: the link was reopened"):
        await role.fire()
    with pytest.raises(SettingRefused, match="output on refused: the link was reopened"):
        await role.output(True)
    with pytest.raises(SettingRefused, match="reopened"):
        await role.set_burst(1.0, 1000.0, 20)


async def test_nothing_is_energised_before_the_preparation() -> None:
    role, speaker = generator("")
    for act in (role.fire(), role.output(True), role.set_burst(1.0, 1000.0, 1)):
        with pytest.raises(SettingRefused, match="not prepared"):
            await act
    assert speaker.told == []


async def test_reopened_in_the_middle_of_the_preparation() -> None:
    """The first half of the settings may be lost."""
    drained = '> SYSTem:ERRor?\n< 0,"No error"\n> SOURce1:FUNCtion?'
    half = PREPARE.replace(drained, "reopened\n" + drained)
    assert half != PREPARE
    role, _ = generator(half)
    with pytest.raises(SettingRefused, match="prepare again"):
        await role.prepare()


async def test_output_on_without_burst_makes_safe() -> None:
    """Manual page: burst off with the output on is a continuous tone."""
    off = "SOURce1:BURSt:STATe?\n< 0\n> OUTPut1 OFF\n> OUTPut1?\n< 0"
    role, speaker = generator(PREPARE + OUTPUT_ON.split("SOURce1:BURSt:STATe?")[0] + off)
    await role.prepare()
    with pytest.raises(SettingRefused, match="burst"):
        await role.output(True)
    speaker.done()


async def test_reopened_while_switching_on_makes_safe() -> None:
    """The instrument may have restarted: off again at once, and refused."""
    on = (
        OUTPUT_ON.replace("> TRIGger1:SOURce BUS", "reopened\n> TRIGger1:SOURce BUS") + "> OUTPut1 OFF\n> OUTPut1?\n< 0"
    )
    role, speaker = generator(PREPARE + on)
    await role.prepare()
    with pytest.raises(SettingRefused, match="reopened"):
        await role.output(True)
    speaker.done()


async def test_make_safe_sends_off_and_looks() -> None:
    """From any state, unprepared too."""
    role, speaker = generator("> OUTPut1 OFF\n> OUTPut1?\n< 0")
    await role.make_safe()
    speaker.done()
    role, _ = generator("> OUTPut1 OFF\n> OUTPut1?\n< 1")
    with pytest.raises(SettingRefused, match="after make safe"):
        await role.make_safe()
    assert role.make_safe_lines() == ("OUTP1 OFF",)
