"""The generator role against literal transcripts of its manual page, and its ceilings against random requests."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import dialect_from_text, load_dialect
from drivers.errors import CeilingPassed, InstrumentError, SettingRefused
from drivers.roles.generator import BurstSet, Generator, GeneratorCeilings
from tests.drivers.scripted import GeneratorByTheManual, Scripted

CEILINGS = GeneratorCeilings(level_vrms=4.0, burst_s=10.0, frequency_hz=(20.0, 20_000.0))
DIALECT = load_dialect("generator-a", "generator")

# From the programming page of generator-a; the order load, unit, level is forced by its remarks.
PREPARE = """
> OUTPut1 OFF
> SYSTem:ERRor?
< 0,"No error"
> OUTPut1?
< 0
> SOURce1:FUNCtion SINusoid
> OUTPut1:LOAD INFinity
> SOURce1:VOLTage:UNIT VRMS
> SOURce1:VOLTage 0.0001
> SOURce1:VOLTage:OFFSet 0
> SOURce1:BURSt:PHASe 0
> SOURce1:FREQuency 1000
> SOURce1:BURSt:MODE TRIGgered
> SOURce1:BURSt:NCYCles 1
> TRIGger1:SOURce BUS
> SOURce1:BURSt:STATe ON
> SYSTem:ERRor?
< 0,"No error"
> SOURce1:FUNCtion?
< SIN
> OUTPut1:LOAD?
< 9.9E+37
> SOURce1:VOLTage:UNIT?
< VRMS
> SOURce1:VOLTage?
< +1.0000000E-04
> SOURce1:VOLTage:OFFSet?
< +0.0000000E+00
> SOURce1:BURSt:PHASe?
< +0.0000000E+00
> SOURce1:FREQuency?
< +1.0000000000E+03
> SOURce1:BURSt:MODE?
< TRIG
> SOURce1:BURSt:NCYCles?
< +1
> TRIGger1:SOURce?
< BUS
> SOURce1:BURSt:STATe?
< 1
"""

SET_BURST = """
> SOURce1:BURSt:NCYCles 20
> SOURce1:FREQuency 1000
> SOURce1:VOLTage 1.2345
> SYSTem:ERRor?
< 0,"No error"
> SOURce1:BURSt:NCYCles?
< +20
> SOURce1:FREQuency?
< +1.0000000000E+03
> SOURce1:VOLTage?
< +1.2345000E+00
> OUTPut1:LOAD?
< 9.9E+37
> SOURce1:BURSt:STATe?
< 1
"""

OUTPUT_ON = """
> TRIGger1:SOURce BUS
> SOURce1:BURSt:STATe ON
> OUTPut1 ON
> SYSTem:ERRor?
< 0,"No error"
> TRIGger1:SOURce?
< BUS
> SOURce1:BURSt:STATe?
< 1
> OUTPut1?
< 1
"""

FIRE = """
> *TRG
> SYSTem:ERRor?
< 0,"No error"
"""


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


NOT_WITHIN: list[tuple[float, float, object]] = [
    (4.0001, 1000.0, 20),  # above the level
    (math.nan, 1000.0, 20),
    (math.inf, 1000.0, 20),
    (0.0, 1000.0, 20),
    (-1.0, 1000.0, 20),
    (0.00009, 1000.0, 20),  # less than the least level
    (1.0, 1000.0, 10_001),  # 10.001 s
    (1.0, 20.0, 201),  # 10.05 s
    (1.0, 19.9, 20),  # below, above the frequencies
    (1.0, 20_001.0, 20),
    (1.0, math.nan, 20),
    (1.0, 1000.0, 0),
    (1.0, 1000.0, -1),
    (1.0, 1000.0, 20.0),
    (1.0, 1000.0, math.inf),
    (1.0, 1000.0, True),
    (1.0, 1000.0, "INF"),
]


@pytest.mark.parametrize(("level", "frequency", "cycles"), NOT_WITHIN)
async def test_nothing_is_sent_beyond_a_ceiling(level: float, frequency: float, cycles: object) -> None:
    """The transcript ends after the preparation: one more message would fail it."""
    role, speaker = generator(PREPARE)
    await role.prepare()
    speaker.done()
    with pytest.raises(CeilingPassed, match="nothing was sent"):
        await role.set_burst(level, frequency, cycles)  # type: ignore[arg-type]


async def test_exactly_the_ceiling_is_allowed() -> None:
    """10 s at 1 kHz are 10 000 cycles; a ceiling is a value that may be reached."""
    speaker = GeneratorByTheManual()
    role = Generator(speaker, DIALECT, CEILINGS)
    await role.prepare()
    assert (await role.set_burst(4.0, 1000.0, 10_000)).level_vrms == 4.0


REQUESTS = st.lists(
    st.tuples(
        st.one_of(st.floats(), st.floats(0, 8), st.sampled_from([4.0, 4.00001, 3.99999])),
        st.one_of(st.floats(), st.floats(10, 30_000)),
        st.one_of(st.integers(-5, 300_000), st.integers(), st.floats()),
    ),
    max_size=8,
)


async def _drive(
    speaker: GeneratorByTheManual, role: Generator, requests: list[tuple[float, float, int]]
) -> None:
    """Asks for everything, whatever was refused before."""

    async def tried(act: Callable[[], object]) -> None:
        try:
            await act()  # type: ignore[misc]
        except InstrumentError:
            return

    await tried(role.prepare)
    for level, frequency, cycles in requests:
        await tried(lambda lv=level, f=frequency, n=cycles: role.set_burst(lv, f, n))
        await tried(lambda: role.output(True))
        await tried(role.fire)


@settings(max_examples=200, deadline=None, database=None)
@given(requests=REQUESTS, ceiling=st.sampled_from([0.0005, 0.3, 1.0, 4.0]))
def test_no_message_ever_passes_a_ceiling(requests: list[tuple[float, float, int]], ceiling: float) -> None:
    """Truth: what arrives at the instrument, whatever was asked for."""
    speaker = GeneratorByTheManual()
    role = Generator(speaker, DIALECT, GeneratorCeilings(ceiling, 2.0, (20.0, 20_000.0)))
    asyncio.run(_drive(speaker, role, requests))
    assert all(level <= ceiling for level in speaker.levels)
    assert all(length <= 2.0 * (1 + 1e-9) for length in speaker.bursts_s)
    assert speaker.tone_levels == []


@settings(max_examples=200, deadline=None, database=None)
@given(requests=REQUESTS, reopen_at=st.frozensets(st.integers(0, 60), max_size=3))
def test_a_restart_at_any_message_fires_nothing_unprepared(
    requests: list[tuple[float, float, int]], reopen_at: frozenset[int]
) -> None:
    """A restarted instrument has burst off, and its trigger source fires by itself: no tone may come of it."""
    speaker = GeneratorByTheManual(reopen_at=reopen_at)
    role = Generator(speaker, DIALECT, GeneratorCeilings(1.0, 2.0, (20.0, 20_000.0)))
    asyncio.run(_drive(speaker, role, requests))
    assert all(level <= 1.0 for level in speaker.levels)
    assert all(length <= 2.0 * (1 + 1e-9) for length in speaker.bursts_s)
    assert speaker.tone_levels == []


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
    half = PREPARE.replace("> SYSTem:ERRor?\n< 0,\"No error\"\n> SOURce1:FUNCtion?", "reopened\n> SYSTem:ERRor?\n"
                           "< 0,\"No error\"\n> SOURce1:FUNCtion?")  # fmt: skip
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
        OUTPUT_ON.replace("> TRIGger1:SOURce BUS", "reopened\n> TRIGger1:SOURce BUS")
        + "> OUTPut1 OFF\n> OUTPut1?\n< 0"
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


async def test_a_level_in_volts_peak_to_peak() -> None:
    """1 Vrms of a sine is 2 sqrt 2 Vpp = 2.8284 V (closed form); rounded down, it is 0.99998 Vrms."""
    from importlib import resources

    text = (resources.files("drivers") / "dialects" / "generator-a.toml").read_text(encoding="utf-8")
    text = text.replace('round = "down"', 'round = "down"\nconvert = "vrms_to_vpp"')
    text = text.replace(
        'samples = [{ reply = "+5.0000000E-01", means = 0.5 }, { reply = "+1.2700000E+00", means = 1.27 }]',
        'samples = [{ reply = "+2.8284271E+00", means = 1.0 }]',
    )
    text = text.replace("within = 0.00004 ", "within = 0.0001 ")
    speaker = GeneratorByTheManual()
    role = Generator(speaker, dialect_from_text(text, "mine.toml", "generator"), CEILINGS)
    await role.prepare()
    assert "SOUR1:VOLT:UNIT VPP" in speaker.told
    burst = await role.set_burst(1.0, 1000.0, 1)
    assert speaker.levels[-1] == 2.8284
    assert burst.level_vrms == pytest.approx(2.8284 / (2 * math.sqrt(2)))
    assert burst.level_vrms <= 1.0


@pytest.mark.parametrize("bad", [(0.0, 1.0, (1.0, 2.0)), (1.0, math.inf, (1.0, 2.0)), (1.0, 1.0, (2.0, 1.0))])
def test_ceilings_without_sense_are_refused(bad: tuple[float, float, tuple[float, float]]) -> None:
    with pytest.raises(ValueError, match="ceilings"):
        GeneratorCeilings(*bad)
