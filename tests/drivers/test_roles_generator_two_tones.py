"""Two tones from the generator role, against transcripts written from its programming page."""

from __future__ import annotations

from importlib import resources

import pytest

from drivers.dialect import DialectProblems, dialect_from_text, load_dialect
from drivers.errors import CeilingPassed, SettingRefused
from drivers.roles.generator import BurstSet, Generator, GeneratorCeilings, SecondSet
from tests.drivers.scripted import Scripted
from tests.drivers.transcripts_generator import PREPARE, SET_BURST

CEILINGS = GeneratorCeilings(level_vrms=4.0, burst_s=10.0, frequency_hz=(20.0, 20_000.0))
TEXT = (resources.files("drivers") / "dialects" / "generator-a.toml").read_text(encoding="utf-8")
SECOND_FREQUENCY = TEXT[TEXT.index("[setting.second_frequency]") : TEXT.index("[setting.second_ratio]")]
SECOND_RATIO = TEXT[TEXT.index("[setting.second_ratio]") : TEXT.index("[setting.burst_mode]")]
WORD = ', two_tones = "DUALtone"'
SAMPLE = ', { reply = "DUAL", means = "two_tones" }'

TWO_TONES = """
> SOURce1:BURSt:NCYCles 15
> SOURce1:DUALtone:FREQuency 7000
> SOURce1:DUALtone:RATio 4
> SOURce1:FUNCtion DUALtone
> SOURce1:FREQuency 60
> SOURce1:VOLTage 1.2345
> SYSTem:ERRor?
< 0,"No error"
> SOURce1:BURSt:NCYCles?
< +15
> SOURce1:DUALtone:FREQuency?
< +7.0000000000E+03
> SOURce1:DUALtone:RATio?
< +4.0000000E+00
> SOURce1:FUNCtion?
< DUAL
> SOURce1:FREQuency?
< +6.0000000000E+01
> SOURce1:VOLTage?
< +1.2345000E+00
> OUTPut1:LOAD?
< 9.9E+37
> SOURce1:VOLTage:UNIT?
< VRMS
> SOURce1:BURSt:STATe?
< 1
"""

# A plain burst after it: the shape goes back first, and once; a second plain one says nothing of it.
SINE_AGAIN = (
    SET_BURST.replace("> SOURce1:FREQuency 1000\n", "> SOURce1:FUNCtion SINusoid\n> SOURce1:FREQuency 1000\n").replace(
        "> SOURce1:FREQuency?\n", "> SOURce1:FUNCtion?\n< SIN\n> SOURce1:FREQuency?\n"
    )
    + SET_BURST
)


def generator(transcript: str, text: str = TEXT) -> tuple[Generator, Scripted]:
    speaker = Scripted(transcript, name="generator")
    return Generator(speaker, dialect_from_text(text, "generator-a", "generator"), CEILINGS), speaker


def one_tone_text() -> str:
    """The same instrument as a file tells of it that knows of one tone."""
    return TEXT.replace(SECOND_FREQUENCY, "").replace(SECOND_RATIO, "").replace(WORD, "").replace(SAMPLE, "")


async def test_two_tones_and_a_plain_burst_after_them() -> None:
    """The level is that of the crest of the sum (page), so it is sent as it is asked, rounded down."""
    role, speaker = generator(PREPARE + TWO_TONES + SINE_AGAIN)
    assert role.plays_two_tones
    await role.prepare()
    found = await role.set_burst(1.23456, 60.0, 15, (7000.0, 4.0))
    assert found == BurstSet(1.2345, 60.0, 15, SecondSet(7000.0, 4.0))
    for _ in range(2):
        assert await role.set_burst(1.2345, 1000.0, 20) == BurstSet(1.2345, 1000.0, 20)
    speaker.done()


@pytest.mark.parametrize(
    ("there", "instead", "named"),
    [
        ("RATio?\n< +4.0000000E+00", "RATio?\n< +4.0100000E+00", "second_ratio"),
        ("DUALtone:FREQuency?\n< +7.0000000000E+03", "DUALtone:FREQuency?\n< +7.0010000000E+03", "second_frequency"),
        ("FUNCtion?\n< DUAL", "FUNCtion?\n< SIN", "shape"),
    ],
)
async def test_what_reads_back_otherwise_is_refused(there: str, instead: str, named: str) -> None:
    """Truth: the reply differs from what was sent."""
    assert there in TWO_TONES
    role, _ = generator(PREPARE + TWO_TONES.replace(there, instead))
    await role.prepare()
    with pytest.raises(SettingRefused, match=named):
        await role.set_burst(1.2345, 60.0, 15, (7000.0, 4.0))


@pytest.mark.parametrize(
    ("level_vrms", "second", "words"),
    [
        (4.0001, (7000.0, 4.0), "above the ceiling"),  # the crest of the sum counts
        (1.0, (20_001.0, 4.0), "second tone of 20001.0 Hz"),
        (1.0, (float("nan"), 4.0), "second tone"),
        (1.0, (7000.0, 0.0), "no ratio"),
        (1.0, (7000.0, float("inf")), "no ratio"),
    ],
)
async def test_nothing_beyond_a_ceiling_is_sent(level_vrms: float, second: tuple[float, float], words: str) -> None:
    role, speaker = generator(PREPARE)
    await role.prepare()
    with pytest.raises(CeilingPassed, match=words):
        await role.set_burst(level_vrms, 60.0, 15, second)
    speaker.done()


async def test_a_generator_of_one_tone_says_so() -> None:
    """Its file tells of no second tone: nothing is sent, plain bursts go on."""
    role, speaker = generator(PREPARE + SET_BURST, one_tone_text())
    assert not role.plays_two_tones
    await role.prepare()
    with pytest.raises(SettingRefused, match="one tone only"):
        await role.set_burst(1.0, 60.0, 15, (7000.0, 4.0))
    await role.set_burst(1.2345, 1000.0, 20)
    speaker.done()


@pytest.mark.parametrize(
    ("cut", "key"),
    [
        (SECOND_RATIO, "setting.second_ratio"),
        (SECOND_FREQUENCY, "setting.second_frequency"),
        (WORD, "setting.shape.words.two_tones"),
    ],
)
def test_a_file_tells_of_two_tones_wholly_or_not_at_all(cut: str, key: str) -> None:
    with pytest.raises(DialectProblems) as caught:
        dialect_from_text(
            TEXT.replace(cut, "").replace(SAMPLE, "" if cut == WORD else SAMPLE), "mine.toml", "generator"
        )
    (problem,) = [p for p in caught.value.problems if p.key == key]
    assert "add it" in problem.remedy


def test_the_shipped_file_checks_itself() -> None:
    assert load_dialect("generator-a", "generator").self_check() == ()
