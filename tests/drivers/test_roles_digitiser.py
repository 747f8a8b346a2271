"""The digitiser role against literal transcripts of two manual pages.

Unsigned and signed codes, attenuation and gain, seconds and percent, a state word and a waiting query.
"""

from __future__ import annotations

import numpy as np
import pytest

from drivers.dialect import load_dialect
from drivers.errors import GarbledReply, NotFinished, SettingRefused
from drivers.roles.capture import Capture, CaptureSet, DigitiserSettings, RawTrace
from drivers.roles.digitiser import Digitiser
from tests.drivers.scripted import Scripted
from tests.drivers.transcripts_digitiser import (
    ARM_A,
    ARM_B,
    CAPTURE_A,
    CAPTURE_B,
    DONE_A,
    DONE_B,
    FETCH_A,
    FETCH_B,
    PREPARE_A,
    PREPARE_B,
    SET_A,
    SET_B,
)


def digitiser(letter: str, transcript: str, *blocks: bytes, bits: int = 12) -> tuple[Digitiser, Scripted]:
    speaker = Scripted(transcript, blocks=list(blocks), name="digitiser")
    settings = DigitiserSettings(bits=bits, probe_factors={1: 10.0})
    return Digitiser(speaker, load_dialect(f"digitiser-{letter}", "digitiser"), settings), speaker


def block(codes: list[int], order: str, kind: str) -> bytes:
    """1000 samples: `codes` first, then the last of them."""
    padded = codes + [codes[-1]] * (1000 - len(codes))
    return b"".join(c.to_bytes(2, "little" if order == "<" else "big", signed=kind == "i") for c in padded)


async def test_a_a_whole_capture() -> None:
    """A known DC code: (40960 - 32768) x 40 V / 65536 = 5 V (formula of the manual page, by hand)."""
    data = block([40960, 32768, 24576], "<", "u")
    role, speaker = digitiser("a", PREPARE_A + SET_A + ARM_A + DONE_A + FETCH_A, data)
    await role.prepare()
    assert await role.set_capture(CAPTURE_A) == CaptureSet(1e-6, 1000, 0.0005, {1: 20.0})
    await role.arm()
    await role.wait_complete(1.0)
    trace = await role.fetch(1)
    speaker.done()
    volts = trace.volts_at_zero + trace.codes[:3] * trace.volts_per_code
    assert volts.tolist() == [5.0, 0.0, -5.0]
    assert (trace.codes.dtype, trace.codes.shape) == (np.int32, (1000,))
    assert (trace.sample_interval_s, trace.start_s) == (1e-6, -5e-4)
    # 12 bits at the top of 16: one converter step is 2^4 codes; ends 0 and 65536 - 16 (manual page).
    assert (trace.converter_step_codes, trace.low_code, trace.high_code) == (16, 0, 65520)
    assert not trace.overloaded


async def test_b_a_whole_capture() -> None:
    """A known DC code: 8192 x 50 V / 65536 = 6.25 V; high byte first, signed (manual page, by hand)."""
    data = block([8192, 0, -8192], ">", "i")
    role, speaker = digitiser("b", PREPARE_B + SET_B + ARM_B + DONE_B + FETCH_B, data)
    await role.prepare()
    assert await role.set_capture(CAPTURE_B) == CaptureSet(1e-6, 1000, 0.00025, {1: 25.0})
    await role.arm()
    await role.wait_complete(1.0)
    trace = await role.fetch(1)
    speaker.done()
    volts = trace.volts_at_zero + trace.codes[:3] * trace.volts_per_code
    assert volts.tolist() == [6.25, 0.0, -6.25]
    assert (trace.converter_step_codes, trace.low_code, trace.high_code) == (16, -32768, 32752)


async def ready(letter: str, rest: str, *blocks: bytes, bits: int = 12) -> tuple[Digitiser, Scripted]:
    """Prepared, capture set."""
    both = (PREPARE_A + SET_A, CAPTURE_A) if letter == "a" else (PREPARE_B + SET_B, CAPTURE_B)
    role, speaker = digitiser(letter, both[0] + rest, *blocks, bits=bits)
    await role.prepare()
    await role.set_capture(both[1])
    return role, speaker


@pytest.mark.parametrize(
    ("letter", "codes", "overloaded"),
    [  # 12 bits: ends 0 and 65520, -32768 and 32752 (manual pages)
        ("a", [0], True),
        ("a", [65520], True),
        ("a", [16, 65504], False),
        ("b", [-32768], True),
        ("b", [32752], True),
        ("b", [-32752, 32736], False),
    ],
)
async def test_one_sample_at_an_end_code_is_overload(letter: str, codes: list[int], overloaded: bool) -> None:
    data = block([*codes, 32768 if letter == "a" else 0], "<" if letter == "a" else ">", "u" if letter == "a" else "i")
    role, _ = await ready(letter, FETCH_A if letter == "a" else FETCH_B, data)
    trace: RawTrace = await role.fetch(1)
    assert trace.overloaded is overloaded


async def test_offset_and_zero_of_the_preamble_count() -> None:
    """V = (code - yoff) x ymult + yzero: (1616 - 16) x 7.62939453125E-4 + 2 = 3.220703125 V, by hand."""
    moved = FETCH_B.replace("7.62939453125E-4;0.0000E+0;0.0000E+0", "7.62939453125E-4;1.6E+1;2.0E+0")
    role, _ = await ready("b", moved, block([1616], ">", "i"))
    trace = await role.fetch(1)
    assert trace.volts_at_zero + 1616 * trace.volts_per_code == pytest.approx(3.220703125, rel=1e-12)


async def test_origin_of_the_preamble_counts() -> None:
    """V = (code - yref) x yinc + yorg: (40960 - 32768) x 6.103515625E-04 + 1.5 = 6.5 V, by hand."""
    moved = FETCH_A.replace("0.000000E+00,32768", "1.500000E+00,32768")
    role, _ = await ready("a", moved, block([40960], "<", "u"))
    trace = await role.fetch(1)
    assert trace.volts_at_zero + 40960 * trace.volts_per_code == pytest.approx(6.5, rel=1e-12)


@pytest.mark.parametrize(
    ("there", "instead", "error", "words"),
    [
        ("< 1,0,1000", "< 0,0,1000", GarbledReply, "field 0 of the preamble"),
        ("< 1,0,1000,", "< 1,0,", GarbledReply, "9 fields came where 10"),
        (",1000,", ",2000,", SettingRefused, "2000 samples, 1000 were set"),
        ("1.000000E-06", "2.000000E-06", SettingRefused, "2e-06 s apart"),
        ("6.103515625E-04", "3.0517578125E-04", SettingRefused, "reaches 10 V, 20 V were set"),
        ("< CHAN1", "< CHAN2", SettingRefused, "'CHAN2'"),
        ("6.103515625E-04", "-6.103515625E-04", GarbledReply, "not positive"),
    ],
)
async def test_another_record_than_was_set(there: str, instead: str, error: type[Exception], words: str) -> None:
    """A number from the wrong record or input must not come out."""
    assert there in FETCH_A
    role, _ = await ready("a", FETCH_A.replace(there, instead), block([32768], "<", "u"))
    with pytest.raises(error, match=words):
        await role.fetch(1)


async def test_a_block_of_another_length() -> None:
    role, _ = await ready("a", FETCH_A, block([32768], "<", "u")[:-2])
    with pytest.raises(GarbledReply, match="1998 bytes came for 1000 samples"):
        await role.fetch(1)


async def test_bits_declared_wrong_are_found() -> None:
    """12 real bits declared as 14: codes lie 16 apart, 4 were expected: the end code goes unseen."""
    codes = [32768 + 16 * k for k in range(64)]
    role, _ = await ready("a", FETCH_A, block(codes, "<", "u"), bits=14)
    with pytest.raises(SettingRefused, match="fewer bits"):
        await role.fetch(1)
    role, _ = await ready("a", FETCH_A, block(codes, "<", "u"), bits=8)
    with pytest.raises(SettingRefused, match="more bits"):
        await role.fetch(1)
    # A quiet input tells nothing about the converter, and is no fault.
    role, _ = await ready("a", FETCH_A, block([32768], "<", "u"), bits=14)
    assert not (await role.fetch(1)).overloaded


async def test_rest_before_the_start_is_not_done() -> None:
    """Manual page of digitiser-a: STOP is shown for 2 ms after arming; only the count tells it from done."""
    slow = "> TRIGger:STATe?\n< STOP\n> ACQuire:COUNt?\n< 7\n" * 2
    role, speaker = await ready("a", ARM_A + slow + DONE_A)
    await role.arm()
    await role.wait_complete(1.0)
    speaker.done()


async def test_the_pre_trigger_time_passes_before_it_counts_as_armed() -> None:
    role, speaker = await ready("a", ARM_A)
    before_ns = speaker.clock.now_ns()
    await role.arm()
    assert speaker.clock.now_ns() - before_ns >= 500_000


@pytest.mark.parametrize(
    ("replies", "words"),
    [
        ("> TRIGger:STATe?\n< AUTO", "by itself"),
        ("> TRIGger:STATe?\n< RUN", "before anything was fired"),
        ("> TRIGger:STATe?\n< STOP\n> ACQuire:COUNt?\n< 8", "before anything was fired"),
    ],
)
async def test_triggered_by_something_else(replies: str, words: str) -> None:
    role, _ = await ready("a", "> ACQuire:COUNt?\n< 7\n> SINGle\n" + replies)
    with pytest.raises(SettingRefused, match=words):
        await role.arm()
    with pytest.raises(SettingRefused, match="not armed"):
        await role.wait_complete(1.0)


async def test_no_trigger_ends_after_the_time_given() -> None:
    """Virtual clock: 0.5 s at least, then it is stopped.

    First asked after the 0.5 ms the record lasts, then every 2 ms: 0.4995 / 0.002 rounded up, plus one: 251.
    """
    role, speaker = await ready("a", ARM_A + "> TRIGger:STATe?\n< WAIT\n" * 251 + "> STOP\n")
    await role.arm()
    begun_ns = speaker.clock.now_ns()
    with pytest.raises(NotFinished, match="no trigger came"):
        await role.wait_complete(0.5)
    assert 0.5e9 <= speaker.clock.now_ns() - begun_ns <= 0.51e9
    speaker.done()


async def test_two_captures_where_one_was_armed() -> None:
    role, _ = await ready("a", ARM_A + DONE_A.replace("< 8", "< 9"))
    await role.arm()
    with pytest.raises(SettingRefused, match="2 captures"):
        await role.wait_complete(1.0)


async def test_b_done_but_not_at_rest() -> None:
    """A completion query that answers while the state says otherwise is not believed."""
    role, _ = await ready("b", ARM_B + DONE_B.replace("SAVE", "READY"))
    await role.arm()
    with pytest.raises(NotFinished, match="ready"):
        await role.wait_complete(1.0)


@pytest.mark.parametrize(
    ("there", "instead", "words"),
    [
        (
            "> CHANnel1:SCALe?\n< 5.00000E+00",
            "> CHANnel1:SCALe?\n< 2.00000E+00",
            "reaches 8 V, 18 V must fit",
        ),
        ("> ACQuire:POINts?\n< 1000", "> ACQuire:POINts?\n< 900", "900 samples"),
        ("> CHANnel1:DISPlay?\n< 1", "> CHANnel1:DISPlay?\n< 0", "input_on of input 1"),
        ("> TIMebase:PRETrigger?\n< 5.000000E-04", "> TIMebase:PRETrigger?\n< 4.950000E-04", "before"),
    ],
)
async def test_a_capture_smaller_than_asked(there: str, instead: str, words: str) -> None:
    assert there in SET_A
    role, _ = digitiser("a", PREPARE_A + SET_A.replace(there, instead, 1))
    await role.prepare()
    with pytest.raises(SettingRefused, match=words):
        await role.set_capture(CAPTURE_A)
    with pytest.raises(SettingRefused, match="no capture is set"):
        await role.arm()


@pytest.mark.parametrize(
    ("letter", "there", "instead", "words"),
    [
        ("a", "> CHANnel1:IMPedance?\n< ONEM", "> CHANnel1:IMPedance?\n< FIFT", "impedance of input 1"),
        ("a", "> CHANnel1:COUPling?\n< DC", "> CHANnel1:COUPling?\n< AC", "coupling"),
        ("a", "> TRIGger:SWEep?\n< NORM", "> TRIGger:SWEep?\n< AUTO", "trigger_mode"),
        ("a", "> CHANnel1:PROBe?\n< 1.0000E+01", "> CHANnel1:PROBe?\n< 1.0000E+00", "probe"),
        ("b", "> CH1:PROBe:GAIN?\n< 1.0000E-1", "> CH1:PROBe:GAIN?\n< 1.0000E+1", "probe"),
        ("b", "> ACQuire:STOPAfter?\n< SEQ", "> ACQuire:STOPAfter?\n< RUNST", "captures"),
    ],
)
async def test_a_preparation_that_did_not_take(letter: str, there: str, instead: str, words: str) -> None:
    """Gain 10 where attenuation 10 was meant is a factor of 100 in the result."""
    prepare = PREPARE_A if letter == "a" else PREPARE_B
    assert there in prepare
    role, _ = digitiser(letter, prepare.replace(there, instead))
    with pytest.raises(SettingRefused, match=words):
        await role.prepare()


async def test_too_fast_for_the_inputs_is_refused_with_the_instruments_words() -> None:
    """Manual page of digitiser-a: -221 above 1 MS/s with more than two inputs on."""
    queue = '< -221,"Settings conflict"\n> SYSTem:ERRor?\n< 0,"No error"'
    role, _ = digitiser("a", PREPARE_A + SET_A.split('< 0,"No error"')[0] + queue)
    await role.prepare()
    with pytest.raises(SettingRefused, match="Settings conflict"):
        await role.set_capture(CAPTURE_A)


async def test_the_same_capture_is_not_sent_again() -> None:
    """Shot after shot has the same shape; what is fetched is checked against it."""
    role, speaker = await ready("a", "")
    first = await role.set_capture(CAPTURE_A)
    assert await role.set_capture(CAPTURE_A) is first
    speaker.done()


@pytest.mark.parametrize(
    "capture",
    [
        Capture({2: 18.0}, 1e6, 1000, 0.0),  # no probe factor is known
        Capture({}, 1e6, 1000, 0.0),
        Capture({1: float("nan")}, 1e6, 1000, 0.0),
        Capture({1: 18.0}, 0.0, 1000, 0.0),
        Capture({1: 18.0}, 1e6, 0, 0.0),
        Capture({1: 18.0}, 1e6, 1000, -1e-3),
    ],
)
async def test_captures_nobody_can_make(capture: Capture) -> None:
    role, speaker = digitiser("a", PREPARE_A)
    await role.prepare()
    with pytest.raises(SettingRefused):
        await role.set_capture(capture)
    speaker.done()


async def test_a_reopened_link_needs_a_new_preparation() -> None:
    role, speaker = await ready("a", ARM_A)
    await role.arm()
    speaker.openings += 1
    for act in (role.wait_complete(1.0), role.arm(), role.fetch(1), role.set_capture(CAPTURE_A)):
        with pytest.raises(SettingRefused, match="reopened"):
            await act


async def test_an_input_not_captured() -> None:
    role, _ = await ready("a", "")
    with pytest.raises(SettingRefused, match="input 2 was not captured"):
        await role.fetch(2)


async def test_make_safe_stops() -> None:
    """Manual pages: STOP, ACQuire:STATE STOP."""
    a, speaker = digitiser("a", "> STOP")
    await a.make_safe()
    speaker.done()
    b, speaker = digitiser("b", "> ACQuire:STATE STOP")
    await b.make_safe()
    speaker.done()


@pytest.mark.parametrize(("bits", "factors"), [(5, {1: 1.0}), (17, {1: 1.0}), (12, {}), (12, {1: 0.0})])
def test_settings_without_sense(bits: int, factors: dict[int, float]) -> None:
    with pytest.raises(ValueError):
        DigitiserSettings(bits, factors)
