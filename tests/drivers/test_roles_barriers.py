"""Interlock and cut-off against literal transcripts of their manual pages."""

from __future__ import annotations

import pytest

from drivers.dialect import load_dialect
from drivers.errors import GarbledReply, NotANumber, SettingRefused
from drivers.roles.cut_off import CutOff
from drivers.roles.interlock import Interlock
from tests.drivers.scripted import Scripted

EMPTY = '\n> SYSTem:ERRor?\n< 0,"No error"\n'
HOLD_S = 2.0
PREPARED = f"""{EMPTY}
> RELay:STATe OFF{EMPTY}> RELay:STATe?
< 0
> RELay:HOLD 2.000{EMPTY}> RELay:HOLD?
< 2.000
"""


async def interlock(transcript: str) -> tuple[Interlock, Scripted]:
    speaker = Scripted(EMPTY + transcript, name="interlock")
    role = Interlock(speaker, load_dialect("interlock-a", "interlock"))
    await role.prepare()
    return role, speaker


async def cut_off(transcript: str) -> tuple[CutOff, Scripted]:
    speaker = Scripted(PREPARED + transcript, name="cut_off")
    role = CutOff(speaker, load_dialect("cut-off-a", "cut_off"), HOLD_S)
    await role.prepare()
    return role, speaker


async def test_contacts_in_the_order_asked() -> None:
    role, speaker = await interlock("> INPut:STATe? (@403,401)\n< 0,1\n")
    assert await role.read(["403", "401"]) == {"403": False, "401": True}
    assert role.make_safe_lines() == ()
    speaker.done()


async def test_a_contact_of_which_nothing_is_known_is_no_number_and_named() -> None:
    """Manual page: 9.91E+37, neither open nor closed; SCPI's own "not a number"."""
    role, _ = await interlock("> INPut:STATe? (@401,402)\n< 1,9.91E+37\n")
    with pytest.raises(NotANumber, match="input 402"):
        await role.read(["401", "402"])


@pytest.mark.parametrize("reply", ["1", "1,2", "1,maybe", "1,"])
async def test_a_reply_that_is_no_state_is_taken_for_none(reply: str) -> None:
    role, _ = await interlock(f"> INPut:STATe? (@401,402)\n< {reply}\n")
    with pytest.raises(GarbledReply):
        await role.read(["401", "402"])


async def test_pulled_in_fed_released() -> None:
    role, speaker = await cut_off(
        f"> RELay:STATe ON{EMPTY}> RELay:STATe?\n< 1\n"
        "> RELay:STATe?\n< 1\n> RELay:FEED\n"
        "> RELay:STATe OFF\n> RELay:STATe?\n< 0\n> RELay:STATe?\n< 0\n"
    )
    await role.pull_in()
    assert await role.feed()
    await role.make_safe()
    assert not await role.is_in()
    speaker.done()


async def test_what_has_dropped_is_not_fed() -> None:
    """A lead that came back by itself would power a unit that nobody looks at."""
    role, speaker = await cut_off("> RELay:STATe?\n< 0\n")
    assert not await role.feed()
    speaker.done()


async def test_a_relay_that_does_not_follow_is_refused() -> None:
    role, _ = await cut_off(f"> RELay:STATe ON{EMPTY}> RELay:STATe?\n< 0\n")
    with pytest.raises(SettingRefused, match="relay reads back '0'"):
        await role.pull_in()
    role, _ = await cut_off("> RELay:STATe OFF\n> RELay:STATe?\n< 1\n")
    with pytest.raises(SettingRefused, match="still reads '1'"):
        await role.make_safe()


async def test_a_hold_time_that_is_not_taken_is_refused() -> None:
    """A relay that holds for longer than meant lets a dead night go on for so long."""
    speaker = Scripted(PREPARED.replace("< 2.000", "< 30.000"), name="cut_off")
    role = CutOff(speaker, load_dialect("cut-off-a", "cut_off"), HOLD_S)
    with pytest.raises(SettingRefused, match=r"hold reads back '30\.000'"):
        await role.prepare()
    with pytest.raises(SettingRefused, match="not prepared"):
        await role.pull_in()


async def test_a_feed_that_came_too_late_does_not_stand_in_the_way() -> None:
    """Manual page: -221 for a feed after OFF; it only says that the relay has been released."""
    late = PREPARED.replace('< 0,"No error"', '< -221,"Settings conflict"\n> SYSTem:ERRor?\n< 0,"No error"', 1)
    speaker = Scripted(late, name="cut_off")
    await CutOff(speaker, load_dialect("cut-off-a", "cut_off"), HOLD_S).prepare()
    speaker.done()


async def test_nothing_is_pulled_in_after_the_link_was_reopened() -> None:
    """A restart has lost its hold time."""
    role, speaker = await cut_off("")
    speaker.openings += 1
    with pytest.raises(SettingRefused, match="reopened"):
        await role.pull_in()
