"""Load switch and thermometer against literal transcripts of their manual pages."""

from __future__ import annotations

from pathlib import Path

import pytest

import drivers
from drivers.dialect import dialect_from_text, load_dialect
from drivers.errors import GarbledReply, NotANumber, SettingRefused
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.thermometer import Thermometer
from tests.drivers.scripted import Scripted

DIALECTS = Path(drivers.__file__).parent / "dialects"
EMPTY = '\n> SYSTem:ERRor?\n< 0,"No error"\n'


async def load_switch(transcript: str) -> tuple[LoadSwitch, Scripted]:
    speaker = Scripted(EMPTY + transcript, name="load_switch")
    role = LoadSwitch(speaker, load_dialect("load-switch-a", "load_switch"))
    await role.prepare()
    return role, speaker


async def test_close_open_verify_and_rest() -> None:
    """Manual page: bounce is over 25 ms after the coil, so at least that must have passed."""
    role, speaker = await load_switch(
        f"> ROUTe:CLOSe (@101,102){EMPTY}> ROUTe:CLOSe? (@101,102)\n< 1,1\n"
        f"> ROUTe:OPEN (@101){EMPTY}> ROUTe:CLOSe? (@101)\n< 0\n"
        f"> ROUTe:OPEN:ALL{EMPTY}> ROUTe:CLOSe? (@101,102)\n< 0,0\n> ROUTe:CLOSe? (@201,101)\n< 1,0\n"
    )
    await role.close(["101", "102"])
    assert speaker.clock.now_ns() >= 25_000_000
    await role.open(["101"])
    assert speaker.clock.now_ns() >= 50_000_000
    await role.open_all(["101", "102"])
    assert await role.states(["201", "101"]) == {"201": True, "101": False}
    speaker.done()


async def test_a_coil_that_does_not_follow_is_named() -> None:
    role, _ = await load_switch(f"> ROUTe:CLOSe (@101,102){EMPTY}> ROUTe:CLOSe? (@101,102)\n< 1,0")
    with pytest.raises(SettingRefused, match="coil of 102 reads off"):
        await role.close(["101", "102"])
    role, _ = await load_switch(f"> ROUTe:OPEN (@101){EMPTY}> ROUTe:CLOSe? (@101)\n< 1")
    with pytest.raises(SettingRefused, match="coil of 101 reads on"):
        await role.open(["101"])


async def test_an_unknown_contact_is_refused_by_the_instrument() -> None:
    """Manual page: -222."""
    role, speaker = await load_switch(
        '> ROUTe:CLOSe (@999)\n> SYSTem:ERRor?\n< -222,"Data out of range"\n> SYSTem:ERRor?\n< 0,"No error"'
    )
    with pytest.raises(SettingRefused, match="Data out of range"):
        await role.close(["999"])
    speaker.done()


async def test_as_many_states_as_contacts() -> None:
    role, _ = await load_switch("> ROUTe:CLOSe? (@101,102)\n< 1")
    with pytest.raises(GarbledReply, match="1 fields came where 2"):
        await role.states(["101", "102"])


async def test_no_contacts_no_messages() -> None:
    """`(@)` would be an error, and `open nothing` must not open everything."""
    role, speaker = await load_switch("")
    await role.close([])
    await role.open([])
    assert await role.states([]) == {}
    speaker.done()


async def test_preparing_and_make_safe_move_no_contact() -> None:
    """A contact opened under DC welds (common practice, no source); a link may come back at full power."""
    role, speaker = await load_switch("")
    await role.make_safe()
    assert speaker.told == ["SYST:ERR?"]
    assert role.make_safe_lines() == ()


async def test_relays_that_cannot_be_asked_are_not_asked() -> None:
    """The file of load-switch-a without its question, which it then says is absent."""
    text = (DIALECTS / "load-switch-a.toml").read_text(encoding="utf-8")
    text = text[: text.index("[each.states]")] + text[text.index("[make_safe]") :]
    text = text.replace('role = "load_switch"\n', 'role = "load_switch"\nabsent = ["states"]\n')
    mute = dialect_from_text(text, "mute.dialect.toml", "load_switch")
    told = f"> ROUTe:CLOSe (@101,102){EMPTY}> ROUTe:OPEN (@101){EMPTY}> ROUTe:OPEN:ALL{EMPTY}"
    speaker = Scripted(EMPTY + told, name="load_switch")
    role = LoadSwitch(speaker, mute)
    await role.prepare()
    await role.close(["101", "102"])
    assert speaker.clock.now_ns() >= 25_000_000  # as where they are asked: bounce is over 25 ms after the coil
    await role.open(["101"])
    await role.open_all()
    assert not role.reads_back
    with pytest.raises(SettingRefused, match="can't be read back"):
        await role.states(["101"])
    speaker.done()


async def test_closing_is_refused_after_the_link_was_reopened() -> None:
    role, speaker = await load_switch("")
    speaker.openings += 1
    with pytest.raises(SettingRefused, match="reopened"):
        await role.close(["101"])


PREPARE_T = f"""
> CONFigure:TEMPerature TC,K{EMPTY}> UNIT:TEMPerature C{EMPTY}> UNIT:TEMPerature?
< C
"""
READ_T = "> READ? (@302,301)\n< +2.35000000E+01,+2.41000000E+01\n> UNIT:TEMPerature?\n< C\n"
AGAIN_T = "> CONFigure:TEMPerature TC,K\n> UNIT:TEMPerature C\n"  # there is no query for the sensor: it is told again


def thermometer(transcript: str) -> tuple[Thermometer, Scripted]:
    speaker = Scripted(transcript, name="thermometer")
    return Thermometer(speaker, load_dialect("thermometer-a", "thermometer")), speaker


async def test_temperatures_in_the_order_asked() -> None:
    role, speaker = thermometer(PREPARE_T + AGAIN_T + READ_T)
    await role.prepare()
    assert await role.read(["302", "301"]) == {"302": 23.5, "301": 24.1}
    speaker.done()


async def test_an_open_thermocouple_is_named() -> None:
    """Manual page: open answers +9.90000000E+37."""
    role, _ = thermometer(PREPARE_T + AGAIN_T + "> READ? (@301,302)\n< +2.35000000E+01,+9.90000000E+37")
    await role.prepare()
    with pytest.raises(NotANumber, match="input 302"):
        await role.read(["301", "302"])


async def test_fahrenheit_is_refused() -> None:
    role, _ = thermometer(PREPARE_T.replace("< C", "< F"))
    with pytest.raises(SettingRefused, match="unit reads back 'F'"):
        await role.prepare()


async def test_a_reopened_link_is_prepared_again_before_reading() -> None:
    """The unit may be lost with a restart; making it again energises nothing."""
    role, speaker = thermometer(PREPARE_T + AGAIN_T + READ_T + PREPARE_T + READ_T)
    await role.prepare()
    await role.read(["302", "301"])
    speaker.openings += 1
    assert await role.read(["302", "301"]) == {"302": 23.5, "301": 24.1}
    speaker.done()


async def test_reopened_by_the_reading_itself() -> None:
    role, _ = thermometer(PREPARE_T + AGAIN_T + "reopened\n" + READ_T)
    await role.prepare()
    with pytest.raises(SettingRefused, match="reopened"):
        await role.read(["302", "301"])


async def test_another_unit_after_a_reading_makes_it_void() -> None:
    """A restart that kept the link: set again and read again; the degrees of the first reading are not told."""
    warm = READ_T.replace("+2.35000000E+01,+2.41000000E+01", "+7.43000000E+01,+7.53800000E+01").replace("< C", "< F")
    role, speaker = thermometer(PREPARE_T + AGAIN_T + warm + PREPARE_T + READ_T)
    await role.prepare()
    assert await role.read(["302", "301"]) == {"302": 23.5, "301": 24.1}
    speaker.done()
