"""The meter against literal transcripts of its manual page."""

from __future__ import annotations

import math

import pytest

from drivers.dialect import load_dialect
from drivers.errors import GarbledReply, NotANumber, SettingRefused
from drivers.roles.meter import Meter
from tests.drivers.scripted import Scripted

EMPTY = '\n> SYSTem:ERRor?\n< 0,"No error"\n'
PREPARED = f"""> CONFigure:VOLTage:AC{EMPTY}> VOLTage:AC:BANDwidth 20
> VOLTage:AC:NPLCycles 10.00{EMPTY}> VOLTage:AC:BANDwidth?
< 20
> VOLTage:AC:NPLCycles?
< 1.00000E+01
"""
TEN = PREPARED + f"> VOLTage:AC:RANGe 7.50000E+00{EMPTY}> VOLTage:AC:RANGe?\n< 1.00000E+01\n"


async def meter(transcript: str) -> tuple[Meter, Scripted]:
    speaker = Scripted(PREPARED + transcript, name="meter")
    role = Meter(speaker, load_dialect("meter-a", "meter"))
    await role.prepare()
    return role, speaker


async def test_a_range_is_set_and_the_one_taken_is_told() -> None:
    """Each time all of it is set anew: a meter that restarted kept nothing."""
    role, speaker = await meter(TEN + "> READ?\n< +7.41234567E+00\n> VOLTage:AC:RANGe?\n< 1.00000E+01\n")
    assert await role.set_range(7.5) == 10.0
    read = await role.read()
    assert (read.vrms, read.range_vrms) == (7.41234567, 10.0)
    await role.confirm()
    assert role.make_safe_lines() == ()
    speaker.done()


async def test_beyond_its_range_is_no_number() -> None:
    """Manual page: +9.9E+37, SCPI's own infinity."""
    role, _ = await meter(TEN + "> READ?\n< +9.90000000E+37\n")
    await role.set_range(7.5)
    with pytest.raises(NotANumber):
        await role.read()


async def test_a_reading_without_a_range_is_refused() -> None:
    """What range it would be of, and so what it is worth, nobody could say."""
    role, _ = await meter("")
    with pytest.raises(SettingRefused, match="range was not set"):
        await role.read()


async def test_a_smaller_range_than_asked_is_refused() -> None:
    role, _ = await meter(PREPARED + f"> VOLTage:AC:RANGe 7.50000E+00{EMPTY}> VOLTage:AC:RANGe?\n< 1.00000E+00\n")
    with pytest.raises(SettingRefused, match="range of 1 V taken"):
        await role.set_range(7.5)


@pytest.mark.parametrize("volts", [0.0, -1.0, math.inf, math.nan])
async def test_no_range_for_no_volts(volts: float) -> None:
    role, speaker = await meter("")
    with pytest.raises(SettingRefused):
        await role.set_range(volts)
    speaker.done()


@pytest.mark.parametrize("reply", ["7,4", "volts"])
async def test_a_reply_that_is_no_number_is_taken_for_none(reply: str) -> None:
    role, _ = await meter(TEN + f"> READ?\n< {reply}\n")
    await role.set_range(7.5)
    with pytest.raises(GarbledReply):
        await role.read()


async def test_a_reading_on_another_range_than_was_set_is_void() -> None:
    """Manual page: CONFigure puts RANGe back to 750, as somebody at its keys may have."""
    role, _ = await meter(TEN + "> READ?\n< +7.41234567E+00\n> VOLTage:AC:RANGe?\n< 7.50000E+02\n")
    await role.set_range(7.5)
    await role.read()
    with pytest.raises(SettingRefused, match="reads 750 V where 10"):
        await role.confirm()
    with pytest.raises(SettingRefused, match="not prepared"):
        await role.read()


@pytest.mark.parametrize(
    ("reply", "ohm"), [("+4.70000000E+02", 470.0), ("+9.90000000E+37", math.inf), ("+0.00000000E+00", 0.0)]
)
async def test_ohms_between_its_leads(reply: str, ohm: float) -> None:
    """Manual page: above 1e7 +9.9E+37. Afterwards it is no meter of volts: nothing is read until all is set again."""
    role, speaker = await meter(f"> CONFigure:RESistance{EMPTY}> READ?\n< {reply}\n")
    assert role.reads_ohms
    assert await role.read_ohms() == ohm
    with pytest.raises(SettingRefused, match="not prepared"):
        await role.read()
    speaker.done()


async def test_no_ohms_where_it_says_that_there_are_none() -> None:
    """SCPI-1999 vol. 1, 7.2.1 (from memory): 9.91E37 is no number, and no open lead."""
    role, _ = await meter(f"> CONFigure:RESistance{EMPTY}> READ?\n< +9.91000000E+37\n")
    with pytest.raises(NotANumber):
        await role.read_ohms()


async def test_a_meter_of_volts_alone_reads_no_ohms() -> None:
    role = Meter(Scripted("", name="meter"), load_dialect("meter-b", "meter"))
    assert not role.reads_ohms
    with pytest.raises(SettingRefused, match="no word for ohms"):
        await role.read_ohms()
