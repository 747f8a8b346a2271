"""A record that begins long after its trigger: the role against literal transcripts of the two manual pages."""

from __future__ import annotations

import re
from importlib import resources

import pytest

from drivers.dialect import Dialect, dialect_from_text, load_dialect
from drivers.errors import NotFinished, SettingRefused
from drivers.roles.capture import Capture, CaptureSet, DigitiserSettings
from drivers.roles.digitiser import Digitiser
from tests.drivers.scripted import Scripted
from tests.drivers.transcripts_digitiser import (
    ARM_A,
    ARM_B,
    CAPTURE_A,
    DONE_A,
    DONE_B,
    FETCH_A,
    FETCH_B,
    PREPARE_A,
    PREPARE_B,
    SET_A,
    SET_B,
)

# 1 MS/s on both; half a millisecond (a), a quarter (b) before; first sample 1.7995 s, 1.79975 s after the trigger.
DELAY_A = "> TRIGger:DELay 1.8", "> TRIGger:DELay?\n< 1.800000000E+00"
DELAY_B = "> HORizontal:BEGin 1.8", "> HORizontal:BEGin?\n< 1.800000000E+0"
LATE_A = SET_A.replace("> TRIGger:DELay 0", DELAY_A[0]).replace("> TRIGger:DELay?\n< 0.000000000E+00", DELAY_A[1])
LATE_B = SET_B.replace("> HORizontal:BEGin 0", DELAY_B[0]).replace("> HORizontal:BEGin?\n< 0.000000000E+0", DELAY_B[1])
LATE_FETCH_A = FETCH_A.replace("-5.000000E-04", "1.799500000E+00")
LATE_FETCH_B = FETCH_B.replace("-2.5000E-4", "1.799750000E+0")
ASK_A = Capture({1: 18.0}, 1.2e6, 950, 0.0005, delay_s=1.8)
ASK_B = Capture({1: 22.0}, 9e5, 1000, 0.00025, delay_s=1.8)
ZEROS = bytes(2000)


def role_of(dialect: Dialect, transcript: str, *blocks: bytes) -> tuple[Digitiser, Scripted]:
    speaker = Scripted(transcript, blocks=list(blocks), name="digitiser")
    return Digitiser(speaker, dialect, DigitiserSettings(bits=12, probe_factors={1: 10.0})), speaker


def digitiser(letter: str, transcript: str, *blocks: bytes) -> tuple[Digitiser, Scripted]:
    return role_of(load_dialect(f"digitiser-{letter}", "digitiser"), transcript, *blocks)


def test_the_transcripts_hold_the_delay() -> None:
    """The replacements above found their lines."""
    for text, found in ((LATE_A, DELAY_A), (LATE_B, DELAY_B)):
        assert all(line in text for line in found)
    assert "1.799500000E+00" in LATE_FETCH_A
    assert "1.799750000E+0" in LATE_FETCH_B


async def test_a_a_late_record() -> None:
    """Page: TRIGger:DELay; xorigin is the delay less the pre-trigger time."""
    role, speaker = digitiser("a", PREPARE_A + LATE_A + ARM_A + DONE_A + LATE_FETCH_A, ZEROS)
    await role.prepare()
    assert await role.set_capture(ASK_A) == CaptureSet(1e-6, 1000, 0.0005, {1: 20.0}, delay_s=1.8)
    await role.arm()
    await role.wait_complete(3.0)
    assert (await role.fetch(1)).start_s == 1.7995
    speaker.done()


async def test_b_a_late_record() -> None:
    """Page: HORizontal:BEGin; xzero is it less the part before the trigger."""
    role, speaker = digitiser("b", PREPARE_B + LATE_B + ARM_B + DONE_B + LATE_FETCH_B, ZEROS)
    await role.prepare()
    assert await role.set_capture(ASK_B) == CaptureSet(1e-6, 1000, 0.00025, {1: 25.0}, delay_s=1.8)
    await role.arm()
    await role.wait_complete(3.0)
    assert (await role.fetch(1)).start_s == 1.79975
    speaker.done()


async def test_arming_does_not_wait_for_the_delay_but_completion_does() -> None:
    """Full 1.8 s + 1 ms - 0.5 ms after the trigger, by hand: nothing is asked before that."""
    role, speaker = digitiser("a", PREPARE_A + LATE_A + ARM_A + DONE_A)
    await role.prepare()
    await role.set_capture(ASK_A)
    begun_ns = speaker.clock.now_ns()
    await role.arm()
    armed_ns = speaker.clock.now_ns()
    assert armed_ns - begun_ns < 50_000_000
    await role.wait_complete(3.0)
    # The second question of DONE_A follows one interval of asking later.
    assert 1_800_500_000 <= speaker.clock.now_ns() - armed_ns < 1_810_000_000


async def test_a_wait_shorter_than_the_delay_ends_when_it_said() -> None:
    role, speaker = digitiser("a", PREPARE_A + LATE_A + ARM_A + "> TRIGger:STATe?\n< RUN\n> STOP")
    await role.prepare()
    await role.set_capture(ASK_A)
    await role.arm()
    begun_ns = speaker.clock.now_ns()
    with pytest.raises(NotFinished):
        await role.wait_complete(0.5)
    assert speaker.clock.now_ns() - begun_ns == pytest.approx(0.5e9, abs=1)
    speaker.done()


@pytest.mark.parametrize(
    ("read", "refused"),
    [("1.800001000E+00", False), ("1.799999000E+00", False), ("1.800002000E+00", True), ("0.000000000E+00", True)],
)
async def test_a_delay_more_than_one_sample_off_is_refused(read: str, refused: bool) -> None:
    """Samples lie 1 us apart."""
    role, _ = digitiser("a", PREPARE_A + LATE_A.replace("1.800000000E+00", read))
    await role.prepare()
    if not refused:
        assert (await role.set_capture(ASK_A)).delay_s == float(read)
        return
    with pytest.raises(SettingRefused, match=r"delay reads back .* 1\.8 s was asked"):
        await role.set_capture(ASK_A)
    with pytest.raises(SettingRefused, match="no capture is set"):
        await role.arm()


@pytest.mark.parametrize(
    ("start", "refused"),
    [
        ("1.799500000E+00", False),
        ("1.799501000E+00", False),
        ("1.799499000E+00", False),
        ("1.799502000E+00", True),
        ("-5.000000E-04", True),  # as if it had not waited
        ("1.800000000E+00", True),  # as if there were nothing before
    ],
)
async def test_a_record_that_begins_elsewhere_is_refused(start: str, refused: bool) -> None:
    """The preamble has the last word on where the record lies: within one sample of 1 us."""
    fetch = LATE_FETCH_A.replace("1.799500000E+00", start)
    role, _ = digitiser("a", PREPARE_A + LATE_A + fetch, ZEROS)
    await role.prepare()
    await role.set_capture(ASK_A)
    if not refused:
        assert (await role.fetch(1)).start_s == float(start)
        return
    with pytest.raises(SettingRefused, match=r"begins .* after the trigger, 1\.7995 s was set"):
        await role.fetch(1)


async def test_without_a_delay_too_the_start_is_held_against_the_preamble() -> None:
    fetch = FETCH_A.replace("-5.000000E-04", "0.000000E+00")
    role, _ = digitiser("a", PREPARE_A + SET_A + fetch, ZEROS)
    await role.prepare()
    await role.set_capture(CAPTURE_A)
    with pytest.raises(SettingRefused, match=r"begins 0 s after the trigger, -0\.0005 s was set"):
        await role.fetch(1)


async def test_more_than_the_instrument_can_wait_is_refused_in_its_words() -> None:
    """Page of a: above 50 s -222."""
    queue = '> SYSTem:ERRor?\n< -222,"Data out of range"\n> SYSTem:ERRor?\n< 0,"No error"'
    there = LATE_A.replace("DELay 1.8", "DELay 51").split("> TIMebase:PRETrigger 5E-4")[0]
    role, _ = digitiser("a", PREPARE_A + there + "> TIMebase:PRETrigger 5E-4\n> TRIGger:DELay 51\n" + queue)
    await role.prepare()
    with pytest.raises(SettingRefused, match="Data out of range"):
        await role.set_capture(Capture({1: 18.0}, 1.2e6, 950, 0.0005, delay_s=51.0))


@pytest.mark.parametrize("delay_s", [-1e-6, float("nan"), float("inf")])
async def test_delays_nobody_can_have(delay_s: float) -> None:
    role, speaker = digitiser("a", PREPARE_A)
    await role.prepare()
    with pytest.raises(SettingRefused, match="no capture has this shape"):
        await role.set_capture(Capture({1: 18.0}, 1e6, 1000, 0.0, delay_s=delay_s))
    speaker.done()


async def test_another_delay_is_another_capture() -> None:
    """Same shape otherwise: it is sent again, not taken from the one before."""
    role, speaker = digitiser("a", PREPARE_A + SET_A + LATE_A)
    await role.prepare()
    await role.set_capture(CAPTURE_A)
    assert (await role.set_capture(ASK_A)).delay_s == 1.8
    speaker.done()


# A dialect file that says nothing of a delay


def without_delay(letter: str) -> str:
    """The shipped file as it was before it knew the setting."""
    text = (resources.files("drivers") / "dialects" / f"digitiser-{letter}.toml").read_text(encoding="utf-8")
    text = text.replace('changes = ["delay"]\n', "")
    return re.sub(r"\[setting\.delay\].*?(?=\n\[setting\.full_scale\])", "", text, flags=re.DOTALL)


def said_without(transcript: str) -> str:
    """The transcript less all that concerns the delay."""
    found = re.sub(r"> (TRIGger:DELay|HORizontal:BEGin)\?\n< \S+\n", "", transcript)
    return re.sub(r"> (TRIGger:DELay|HORizontal:BEGin) 0\n", "", found)


@pytest.mark.parametrize("absent", ["", 'absent = ["captures", "delay"]'])
async def test_a_file_without_the_setting_still_loads_and_works_without_delay(absent: str) -> None:
    """Left out, or said to be absent."""
    text = without_delay("a")
    assert "delay" not in text
    text = text.replace('absent = ["captures"]', absent) if absent else text
    dialect = dialect_from_text(text, "mine.dialect.toml", "digitiser")
    transcript = said_without(PREPARE_A + SET_A + ARM_A + DONE_A + FETCH_A)
    assert "DELay" not in transcript
    role, speaker = role_of(dialect, transcript, ZEROS)
    assert not role.can_delay
    await role.prepare()
    assert (await role.set_capture(CAPTURE_A)).delay_s == 0.0
    with pytest.raises(
        SettingRefused, match=r"1\.8 s after the trigger: mine\.dialect\.toml has no \[setting\.delay\]"
    ):
        await role.set_capture(ASK_A)
    await role.arm()
    await role.wait_complete(1.0)
    await role.fetch(1)
    speaker.done()


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_shipped_files_can(letter: str) -> None:
    assert digitiser(letter, "")[0].can_delay
    assert not role_of(dialect_from_text(without_delay(letter), "mine", "digitiser"), "")[0].can_delay
