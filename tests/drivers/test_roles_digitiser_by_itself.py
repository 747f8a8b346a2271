"""A capture that no trigger begins, against literal transcripts of two manual pages."""

from __future__ import annotations

import pytest

from drivers.dialect import load_dialect
from drivers.errors import NotFinished, SettingRefused
from drivers.roles.capture import DigitiserSettings
from drivers.roles.digitiser import Digitiser
from tests.drivers.scripted import Scripted
from tests.drivers.transcripts_digitiser import (
    ARM_A,
    CAPTURE_A,
    CAPTURE_B,
    DONE_B,
    EMPTY,
    PREPARE_A,
    PREPARE_B,
    SET_A,
    SET_B,
)

# AUTO is shown while it waits for a trigger that need not come; the count grows once the capture is complete.
BEGUN_A = f"""
> TRIGger:SWEep AUTO{EMPTY}> TRIGger:SWEep?
< AUTO
> ACQuire:COUNt?
< 7
> SINGle
"""
WAITED_A = """
> TRIGger:STATe?
< AUTO
> TRIGger:STATe?
< STOP
> ACQuire:COUNt?
< 8
"""
BACK_A = f"> TRIGger:SWEep NORMal{EMPTY}> TRIGger:SWEep?\n< NORM\n"
ALL_B = f"""
> TRIGger:MODe AUTO{EMPTY}> TRIGger:MODe?
< AUTO
> ACQuire:STATE RUN
{DONE_B}> TRIGger:MODe NORMal{EMPTY}> TRIGger:MODe?
< NORM
"""


def digitiser(letter: str, transcript: str) -> tuple[Digitiser, Scripted]:
    speaker = Scripted(transcript, name="digitiser")
    settings = DigitiserSettings(bits=12, probe_factors={1: 10.0})
    return Digitiser(speaker, load_dialect(f"digitiser-{letter}", "digitiser"), settings), speaker


async def test_a_prepares_first_and_waits_for_a_trigger_again_afterwards() -> None:
    role, speaker = digitiser("a", PREPARE_A + SET_A + BEGUN_A + WAITED_A + BACK_A + ARM_A)
    await role.take_by_itself(CAPTURE_A, 1.0)
    await role.arm()
    speaker.done()


async def test_b_answers_once_it_is_done() -> None:
    role, speaker = digitiser("b", PREPARE_B + SET_B + ALL_B)
    await role.take_by_itself(CAPTURE_B, 1.0)
    speaker.done()


async def test_one_that_does_not_end_must_be_prepared_again() -> None:
    """It may go on capturing by itself, which a burst's record would be mistaken for."""
    role, _ = digitiser("a", PREPARE_A + SET_A + BEGUN_A + "> TRIGger:STATe?\n< AUTO\n" * 6 + "> STOP")
    with pytest.raises(NotFinished):
        await role.take_by_itself(CAPTURE_A, 0.01)
    with pytest.raises(SettingRefused, match="not prepared"):
        await role.arm()
