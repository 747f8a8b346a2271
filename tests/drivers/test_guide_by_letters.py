"""The guide tried a second time, by the second set of guide/PAGES.md: what its instruments have that no other test has.

Exchanges are those that the pages print; levels in dBm are worked out beside the check.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

from drivers.capabilities import RoleName
from drivers.dialect import Dialect, DialectProblems, dialect_from_text, load_dialect
from drivers.dialect_told import told_lines
from drivers.errors import GarbledReply, NotANumber, SettingRefused
from drivers.roles.capture import Capture, DigitiserSettings
from drivers.roles.digitiser import Digitiser
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.thermometer import Thermometer
from sequencer.safety.frozen_bench import off_pattern
from tests.drivers.test_guide import Told

FOLDER = Path(__file__).parent / "guide"
NAMES: dict[str, RoleName] = {
    "generator_in_dbm": "generator",
    "digitiser_by_letters": "digitiser",
    "load_switch_by_letters": "load_switch",
    "thermometer_with_marks": "thermometer",
}


def text_of(name: str) -> str:
    return (FOLDER / f"{name}.dialect.toml").read_text(encoding="utf-8")


def dialect(name: str, *, there: str = "", instead: str = "") -> Dialect:
    assert there in text_of(name)
    return dialect_from_text(text_of(name).replace(there, instead), name, NAMES[name])


class Bare(Told):
    """Its blocks have no prefix, and its questions no mark."""

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        self.said.append(message)
        return self._block


@pytest.mark.parametrize("name", NAMES)
def test_each_file_is_whole_and_told(name: str) -> None:
    found = load_dialect(FOLDER / f"{name}.dialect.toml", NAMES[name])
    assert found.self_check() == ()
    assert any(line.startswith("errors: ") for line in told_lines(found))


async def test_a_generator_in_dbm() -> None:
    """0 dBm is 1 mW (IEC 60027-3, from memory): across 50 ohm 0.2236068 V, so 0.4472136 V of e.m.f. What lies between
    two steps is never rounded up, also where the number is below nought."""
    level = dialect("generator_in_dbm").settings["level"]
    assert level.value_text(0.4472136) == "+00.00"
    assert level.value_text(0.4472136 * 10 ** (-12.505 / 20)) == "-12.51"
    assert level.rounded(0.106) < 0.106
    assert level.parse("LV +13.01 DBM", "x") == pytest.approx(2.0, rel=1e-4)  # 20 mW: 1 V across 50 ohm
    answers = {
        "ER?": ["ER 00 NONE"], "OE?": ["OE OFF"], "WV?": ["WV 0 SINE"], "OF?": ["OF +0000 MV"], "BM?": ["BM 1 BURST"],
        "LV?": ["LV -49.49 DBM"], "FR?": ["FR 01000.000 HZ"], "BC?": ["BC 0 1"],
    }  # fmt: skip
    speaker = Told(answers)
    generator = Generator(speaker, dialect("generator_in_dbm"), GeneratorCeilings(2.0, 1.0, (10.0, 2e4)))
    await generator.prepare()
    assert {"OF +0000", "LV -49.49", "WV 0"} <= set(speaker.said)  # 1.5 mV of e.m.f. are -49.489 dBm
    speaker.now_answers("BC?", "BC 0 20")
    speaker.now_answers("LV?", "LV -06.03 DBM")
    burst = await generator.set_burst(0.2236068, 1000.0, 20)  # -6.0206 dBm
    assert burst.level_vrms == pytest.approx(0.4472136 * 10 ** (-6.03 / 20), rel=1e-6)
    assert {"BH 0", "BL 20"} <= set(speaker.said)
    speaker.now_answers("ER?", "ER 21 SEQUENCE")
    with pytest.raises(SettingRefused, match="21"):
        await generator.prepare()


def answers(**states: list[str]) -> dict[str, list[str]]:
    return {
        "FAULT?": ["0,fine"], "IN:B ATT?": ["ATT=X10"], "IN:B CPL?": ["CPL=DC"], "TRIG?": ["TRIG=EXT,RISE,0.00"],
        "IN:A USE?": ["USE=NO"], "IN:B USE?": ["USE=YES"], "SAMPLE?": ["RATE=1.0000E+06 S/s"], "LENGTH?": ["LEN=1000"],
        "PRE?": ["PRE=10"], "IN:B SPAN?": ["SPAN=4 V"],
        "HEAD B": ["DX,B,FW1.08,6.1035E-04,0.000E+00,1.0000E-06,1000,100,0"],
    } | {"STATE?": [f"STATE={s}" for s in states["state"]]}  # fmt: skip


CAPTURE = Capture({2: 18.0}, 1e6, 1000, 1e-4)


async def prepared(speaker: Bare) -> Digitiser:
    found = Digitiser(speaker, dialect("digitiser_by_letters"), DigitiserSettings(14, {2: 10.0}))
    await found.prepare()
    assert (await found.set_capture(CAPTURE)).full_scale_v == {2: 20.0}
    return found


async def test_a_digitiser_with_letters_and_a_word_for_done() -> None:
    """18 V at the tip of a 10:1 probe are 1.8 V at the socket: the span of 4 V, which is 20 V at the tip from the
    centre. A record left from before is done with by STOP, not taken for the next one."""
    codes = np.array([0, 16384, -16384, 4] * 250, dtype="<i2")
    speaker = Bare(answers(state=["FULL", "REST", "PRE", "WAIT", "WAIT", "FULL"]), codes.tobytes())
    found = await prepared(speaker)
    assert "IN:B SPAN 4" in speaker.said
    await found.arm()
    assert speaker.said[speaker.said.index("ARM") - 2 : speaker.said.index("ARM")] == ["STOP", "STATE?"]
    await found.wait_complete(1.0)
    trace = await found.fetch(2)
    assert (trace.start_s, trace.converter_step_codes) == (pytest.approx(-1e-4), 4)
    assert trace.volts_per_code * 16384 == pytest.approx(10.0, rel=1e-4)


async def test_a_record_that_stop_does_not_take_away_is_refused() -> None:
    with pytest.raises(SettingRefused, match="still shows a complete capture"):
        await (await prepared(Bare(answers(state=["FULL"])))).arm()


async def test_a_trigger_that_came_too_early_is_seen_by_the_word_for_done() -> None:
    with pytest.raises(SettingRefused, match="before anything was fired"):
        await (await prepared(Bare(answers(state=["REST", "PRE", "FULL"])))).arm()


async def test_a_capture_by_itself_gives_the_trigger_source_back() -> None:
    speaker = Bare(answers(state=["REST", "PRE", "FULL"]))
    found = await prepared(speaker)
    await found.take_by_itself(CAPTURE, 1.0)
    last = len(speaker.said) - 1 - speaker.said[::-1].index("TRIG EXT RISE 0")
    assert last > speaker.said.index("TRIG NOW RISE 0")


async def test_relays_named_by_letters() -> None:
    speaker = Told({"which": ["closed: (1A,2f)", "closed: (2f)", "closed: none"], "oops": ["none"]})
    switch = LoadSwitch(speaker, dialect("load_switch_by_letters"))
    await switch.prepare()
    await switch.close(["1a", "2f"])
    await switch.open(["1a"])
    await switch.open_all()
    assert [line for line in speaker.said if line not in ("which", "oops")] == [
        "make (1a,2f)",
        "break (1a)",
        "break all",
    ]
    speaker.now_answers("oops", "bad list")
    with pytest.raises(SettingRefused, match="-222"):
        await switch.close(["1a"])
    speaker.now_answers("oops", "out of breath")  # a text that the file does not list is an error all the same
    with pytest.raises(SettingRefused, match="out of breath"):
        await switch.close(["1a"])
    speaker.now_answers("oops", "none")
    speaker.now_answers("which", "closed: (1a;2f)")
    with pytest.raises(GarbledReply, match="not a list of channels"):
        await switch.states(["1a"])


async def test_a_number_beside_another_word_than_ok_is_no_reading() -> None:
    speaker = Told({"T1": ["+2.531E+01 C, OK"], "T2": ["+2.531E+01 C, BUSY", "+9.999E+09 C, OPEN"], "Q": ["NO ERROR"]})
    thermometer = Thermometer(speaker, dialect("thermometer_with_marks"))
    assert await thermometer.read(["1"]) == {"1": 25.31}
    for word in ("BUSY", "OPEN"):
        with pytest.raises(NotANumber, match=f"input 2: .*{word}"):
            await thermometer.read(["2"])


@pytest.mark.parametrize(
    ("name", "there", "instead", "key", "remedy"),
    [
        ("generator_in_dbm", ', { reply = "BM 0 CONT", means = false }', "", "setting.burst.samples",
         "one that means false"),
        ("digitiser_by_letters", ', done = ["FULL"]', "", "completion.counter_ask", "a state `done`"),
        ("digitiser_by_letters", '["A", "B"]', '["A", "A"]', "facts.input_names", "a name of its own for each of 2"),
        ("digitiser_by_letters", 'unit = "S/s"', 'unit = "S per s"', "setting.sample_rate.unit",
         "letters, % and / only"),
        ("digitiser_by_letters", "digits = 4", "digits = 4\nat_terminal = true", "setting.sample_rate.at_terminal",
         "only full_scale"),
        ("load_switch_by_letters", '"none" = 0, ', "", "errors.words", "an empty queue"),
        ("thermometer_with_marks", '= "OK" }', '= "BUSY" }', "each.temperatures.samples[1]", "not to no reading"),
        ("thermometer_with_marks", "[nan]", '["no"]', "each.temperatures.samples[1].means[0]", "nan where"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_in_words(name: str, there: str, instead: str, key: str, remedy: str) -> None:
    with pytest.raises(DialectProblems) as caught:
        dialect(name, there=there, instead=instead)
    assert [p for p in caught.value.problems if p.key == key and remedy in p.remedy], str(caught.value)
    assert "None" not in str(caught.value)


@pytest.mark.parametrize(
    ("reply", "on", "off", "other_off", "still_on"),
    [
        ('{ kind = "field", place = 0, count = 3, header = "OE" }', "OE ON,LOAD,HIGH", "OE OFF,LOAD,HIGH",
         "OE OFF,LOAD,50OHM", "OE ON,LOAD,OFF"),
        ('{ kind = "key_value", key = "OE" }', "LEVEL,1.0,OE,ON", "LEVEL,1.0,OE,OFF", "LEVEL,0.2,OE,OFF,AUX,ON",
         "LEVEL,OFF,OE,ON"),
        ('{ kind = "name_value", name = "OE", between = "=" }', "A=1;OE=ON", "A=1;OE=OFF", "A=7;OE=OFF;B=ON",
         "A=OFF;OE=ON"),
    ],
)  # fmt: skip
def test_whoever_switches_off_alone_knows_off_among_other_things(
    reply: str, on: str, off: str, other_off: str, still_on: str
) -> None:
    """Not by the sample replies alone: what stands beside the word may be anything."""
    text = text_of("generator_in_dbm").replace('{ kind = "plain", header = "OE" }', reply)
    text = text.replace("OE ON", on).replace("OE OFF", off)
    output = dialect_from_text(text, "x", "generator").file.setting["output"]
    pattern = off_pattern(output)  # type: ignore[arg-type]
    for said, is_off in ((off, True), (other_off, True), (on, False), (still_on, False)):
        assert bool(re.fullmatch(pattern, said, re.IGNORECASE)) is is_off, (pattern, said)


def test_the_level_of_nothing_is_no_level() -> None:
    with pytest.raises(ValueError, match=r"math domain|positive"):
        dialect("generator_in_dbm").settings["level"].rounded(0.0)
    assert math.isfinite(dialect("generator_in_dbm").settings["level"].rounded(1e-9))
