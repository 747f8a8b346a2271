"""The guide tried as a new user would: dialect files written from PAGES.md and GUIDE.md alone, driven by the roles.

Expected exchanges are those that PAGES.md prints, value by value; no text of a dialect file is repeated from it.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections import deque
from pathlib import Path
from typing import get_args

import numpy as np
import pytest
from pydantic import BaseModel

from drivers import dialect_model, reply_forms
from drivers.capabilities import NEEDS, RoleName
from drivers.conversions import CONVERSIONS, FORMULAS
from drivers.dialect import Dialect, load_dialect
from drivers.dialect_told import told_lines
from drivers.errors import NotANumber, SettingRefused
from drivers.joining import link_model
from drivers.roles.capture import Capture, DigitiserSettings
from drivers.roles.digitiser import Digitiser
from drivers.roles.generator import Generator, GeneratorCeilings
from drivers.roles.load_switch import LoadSwitch
from drivers.roles.meter import Meter
from drivers.roles.supply import Supply, SupplyCeilings
from drivers.roles.thermometer import Thermometer
from tests.drivers.scripted import CountedClock

FOLDER = Path(__file__).parent / "guide"
GUIDE = (Path(dialect_model.__file__).parent / "GUIDE.md").read_text(encoding="utf-8")
ROLES: tuple[RoleName, ...] = ("generator", "digitiser", "supply", "load_switch", "thermometer", "meter")


def dialect(role: RoleName, channel: int = 1) -> Dialect:
    return load_dialect(FOLDER / f"{role}.dialect.toml", role, channel)


class Told:
    """A Speaker: what is told is kept; questions are answered from a table, each list in turn, its last for ever."""

    name = "x"
    openings = 1

    def __init__(self, answers: dict[str, list[str]], block: bytes = b"") -> None:
        self.clock = CountedClock()
        self.said: list[str] = []
        self._answers = {question: deque(replies) for question, replies in answers.items()}
        self._block = block

    def now_answers(self, question: str, reply: str) -> None:
        self._answers[question] = deque([reply])

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        self.said += messages

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        self.said += [*getattr(message, "first", ()), message]
        replies = self._answers[message]
        return replies.popleft() if len(replies) > 1 else replies[0]

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        assert getattr(message, "block_prefix", "") == "DATA "
        self.said.append(message)
        return self._block


@pytest.mark.parametrize("role", ROLES)
def test_each_file_is_whole_and_told(role: RoleName) -> None:
    found = dialect(role)
    assert found.self_check() == ()
    assert any(line.startswith("make safe: ") for line in told_lines(found))


async def test_generator() -> None:
    """0.5 Vrms is 1.41421 Vpp, 1.4142 rounded down; BURST before CYC, since CYC is refused else; no `*CLS`."""
    ready = "WAVE=SIN,LEVEL={},OFFS=0.0000V,PHASE=0DEG,FREQ=1.000000KHZ,LOAD=HIZ,BURST=ON,CYC={},TRIG=SOFT,OUT={}"
    quiet, off = ready.format("0.0028VPP", 1, "OFF"), ready.format("1.4142VPP", 20, "OFF")
    speaker = Told({"CH1?": [quiet]})
    generator = Generator(speaker, dialect("generator"), GeneratorCeilings(2.0, 1.0, (10.0, 2e4)))
    await generator.prepare()
    prepared = list(speaker.said)
    assert prepared.index("CH1 OUT OFF") == 0
    assert prepared.index("CH1 LOAD HIZ") < prepared.index("CH1 LEVEL 0.0028")
    assert prepared.index("CH1 BURST ON") + 1 == prepared.index("CH1 CYC 1")
    speaker.now_answers("CH1?", off)
    burst = await generator.set_burst(0.5, 1000.0, 20)
    assert burst.level_vrms == pytest.approx(1.4142 / (2 * math.sqrt(2)), rel=1e-9)
    assert {"CH1 LEVEL 1.4142", "CH1 CYC 20"} <= set(speaker.said)
    assert dialect("generator").greeting().clear == ""
    assert dialect("generator", 2).make_safe_lines() == ("CH2 OUT OFF",)
    wrong = Told({"CH1?": [quiet.replace("HIZ", "50")]})
    with pytest.raises(SettingRefused, match="load"):
        await Generator(wrong, dialect("generator"), GeneratorCeilings(2.0, 1.0, (10.0, 2e4))).prepare()


async def test_digitiser() -> None:
    """Span 40 V: 0.2 V a code; code 50 is 10 V; a code of 127 lies beyond the span and counts as overload. Event
    8192 is armed, 1 is done."""
    codes = np.array([0, 50, -50, 100] * 25, dtype="i1")
    answers = {
        "ERR?": ["0"], "IN1:ATTN?": ["10.0"], "IN1:COUP?": ["DC"], "IN1:TERM?": ["1M"], "IN1:SHIFT?": ["0.000V"],
        "TRIG:FROM?": ["OUTER"], "TRIG:HOW?": ["NORM"], "IN1?": ["ON"], "IN2?": ["OFF"], "IN3?": ["OFF"],
        "TIME:STEP?": ["1.000000E-06"], "TIME:LEN?": ["100"], "TIME:PRE?": ["1.000E-05"], "IN1:SPAN?": ["40.0V"],
        "IN1:GAIN?": ["0.2V"], "EVENT?": ["1", "0", "8192", "0", "0", "1"],
    }  # fmt: skip
    speaker = Told(answers, codes.tobytes())
    found = Digitiser(speaker, dialect("digitiser"), DigitiserSettings(8, {1: 10.0}))
    await found.prepare()
    taken = await found.set_capture(Capture({1: 18.0}, 1e6, 100, 1e-5))
    assert (taken.full_scale_v, taken.sample_interval_s) == ({1: 20.0}, pytest.approx(1e-6))
    assert {"TIME:STEP 1.000000E-6", "IN1:SPAN 36.000", "TIME:PRE 1.000E-5"} <= set(speaker.said)
    await found.arm()
    await found.wait_complete(1.0)
    trace = await found.fetch(1)
    assert trace.codes.tolist() == codes.tolist()
    assert (trace.volts_per_code * 50, trace.start_s, trace.converter_step_codes) == (pytest.approx(10.0), -1e-5, 1)
    assert not trace.overloaded
    speaker._block = np.array([0, 127] * 50, dtype="i1").tobytes()
    assert (await found.fetch(1)).overloaded


async def test_digitiser_that_was_triggered_too_early() -> None:
    answers = {"ERR?": ["0"], "EVENT?": ["0", "1"]} | {
        "IN1:ATTN?": ["10.0"], "IN1:COUP?": ["DC"], "IN1:TERM?": ["1M"], "IN1:SHIFT?": ["0.000V"],
        "TRIG:FROM?": ["OUTER"], "TRIG:HOW?": ["NORM"], "IN1?": ["ON"], "IN2?": ["OFF"], "IN3?": ["OFF"],
        "TIME:STEP?": ["1.000000E-06"], "TIME:LEN?": ["100"], "TIME:PRE?": ["1.000E-05"], "IN1:SPAN?": ["40.0V"],
    }  # fmt: skip
    found = Digitiser(Told(answers), dialect("digitiser"), DigitiserSettings(8, {1: 10.0}))
    await found.prepare()
    await found.set_capture(Capture({1: 18.0}, 1e6, 100, 1e-5))
    with pytest.raises(SettingRefused, match="triggered before anything was fired"):
        await found.arm()


async def test_supply() -> None:
    """The output is selected before every message; five places; status 1 is well, 8 a trip and the limit."""
    answers = {
        "ERROR?": ["E=0"], "OUT?": ["OUT=0"], "VSET?": ["V=00.00", "V=24.00"], "OVP?": ["OVP=33.00"],
        "ISET?": ["I=10.00", "I=05.00"], "STAT?": ["1", "1", "1", "24"], "STAT:LATCH?": ["0"], "MEAS?": ["23.99,1.25"],
    }  # fmt: skip
    speaker = Told(answers)
    supply = Supply(speaker, dialect("supply", channel=2), SupplyCeilings(30.0, 10.0, 33.0))
    await supply.prepare()
    await supply.set(24.0, 5.0)
    where = speaker.said.index("ISET 05.00")
    assert speaker.said[where - 1 : where + 3] == ["SEL 2", "ISET 05.00", "SEL 2", "VSET 24.00"]
    asked = [n for n, line in enumerate(speaker.said) if line == "VSET?"]
    assert all(speaker.said[n - 1] == "SEL 2" for n in asked)
    assert (await supply.read()).amps == 1.25
    status = await supply.status()
    assert (status.in_current_limit, status.tripped) == (False, None)
    status = await supply.status()
    assert (status.in_current_limit, status.tripped) == (True, "over_voltage")
    assert supply.make_safe_lines() == ("SEL 2", "OUT 0")
    assert link_model(dialect("supply"), "x", "TCPIP::h::1::SOCKET").gap_s == 0.05


async def test_load_switch() -> None:
    speaker = Told({"ON?": ["(@1,2)", "(@2)", "(@)"]})
    switch = LoadSwitch(speaker, dialect("load_switch"))
    await switch.prepare()
    await switch.close(["1", "2"])
    await switch.open(["1"])
    await switch.open_all()
    assert speaker.said == ["ON 1,2", "ON?", "OFF 1", "ON?", "ALLOFF", "ON?"]
    assert speaker.clock.now_ns() == 3 * 40_000_000
    link = link_model(dialect("load_switch"), "x", "TCPIP::h::1::SOCKET")
    assert (link.message_end, link.reply_end, link.prompt, link.echo, link.acknowledge) == (
        b"\r", b"\r\n", b"> ", True, "OK",
    )  # fmt: skip


async def test_thermometer() -> None:
    speaker = Told({"T1": ["235"], "T3": ["-12", "----"]})
    thermometer = Thermometer(speaker, dialect("thermometer"))
    assert await thermometer.read(["1", "3"]) == {"1": 23.5, "3": -1.2}
    assert speaker.said == ["T1", "T3"]
    with pytest.raises(NotANumber, match="input 3"):
        await thermometer.read(["3"])


async def test_meter() -> None:
    speaker = Told({"SYST:ERR?": ['0,"No error"'], "FUNC?": ['"ACV"'], "RANGE?": ["R10"], "READ?": ["7.5VAC", "OVER"]})
    meter = Meter(speaker, dialect("meter"))
    assert await meter.set_range(7.5) == 10.0
    assert [line for line in speaker.said if "?" not in line] == ['FUNC "ACV"', "RANGE R10"]
    assert (await meter.read()).vrms == 7.5
    with pytest.raises(NotANumber, match="OVER"):
        await meter.read()


def test_the_guide_names_everything_there_is() -> None:
    """Each setting, placeholder, act, conversion, formula, form and key stands in it; its TOML parts are TOML."""
    named = {word for needs in NEEDS.values() for word in (*needs.settings, *needs.acts, *needs.each, *needs.readings)}
    named |= {wanted.place for needs in NEEDS.values() for wanted in needs.settings.values()}
    named |= {w for needs in NEEDS.values() for s in needs.settings.values() for w in (*s.words, *s.may_words)}
    named |= {*CONVERSIONS, *FORMULAS} - {"none"} | set(get_args(RoleName))
    there = (*vars(dialect_model).values(), *vars(reply_forms).values())
    models = [m for m in there if isinstance(m, type) and issubclass(m, BaseModel)]
    named |= {key for model in models for key in model.model_fields}
    assert {word for word in named if not re.search(rf"\b{re.escape(word)}\b", GUIDE)} == set()
    parts = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    assert len(parts) >= 8
    for part in parts:
        tomllib.loads(part)
