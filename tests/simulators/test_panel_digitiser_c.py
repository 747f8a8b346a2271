"""digitiser-c against its page in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panels.digitiser_c import DigitiserC
from simulators.world.world import World
from tests.simulators.digitiser_bench import WIRING, expected_wave, payload, world_of
from tests.simulators.pages import said
from tests.simulators.panel_talk import MS, Talk
from tests.simulators.world_bench import ON_NS

QUIET = "(nothing)"
SET_UP = [
    "MODE STOP",
    "HEADER OFF",
    "I1:ATTN 10",
    "I1:VDIV 5",
    "RATE 1E6",
    "POINTS 20000",
    "BEFORE 500",
    "TRIG EXT",
]


def c(world: World, *more: str) -> tuple[DigitiserC, Talk]:
    panel, talk = DigitiserC(world, "66", WIRING), Talk(ON_NS)
    for message in (*SET_UP, *more):
        assert said(panel, talk, message) == QUIET
    assert said(panel, talk, "ERR?") == "0"
    said(panel, talk, "INR?")
    return panel, talk


def captured(panel: DigitiserC, talk: Talk, world: World) -> None:
    """One burst of 1.2 Vrms, 1 kHz, 20 ms, captured whole."""
    assert said(panel, talk, "MODE SINGLE") == QUIET
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS


def words(panel: DigitiserC, talk: Talk) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    reply = talk.ask(panel, "I1:WF? DAT")
    assert isinstance(reply, bytes)
    assert reply[:6] == b"DAT,#9"
    return np.frombuffer(payload(reply[4:]), "<i2").astype(np.float64)


@pytest.mark.parametrize("bits", [8, 14])
def test_samples_are_volts_at_the_tip(bits: int) -> None:
    """code / CODES * VDIV - OFST, low byte first; the wave in closed form, to half a converter step and one sample."""
    world = world_of(bits)
    panel, talk = c(world, "I1:OFST 5")
    captured(panel, talk, world)
    fields = said(panel, talk, "I1:WF? HEAD").split(",")
    head = {key: float(value) for key, value in zip(fields[::2], fields[1::2], strict=True)}
    assert list(head) == ["POINTS", "INTERVAL", "START", "VDIV", "OFST", "CODES"]
    assert (head["POINTS"], head["INTERVAL"], head["START"], head["CODES"]) == (20_000, 1e-6, -5e-4, 6400)
    codes = words(panel, talk)
    assert codes.size == 20_000
    assert set(np.unique(codes % 2 ** (16 - bits))) == {0.0}
    assert np.mean(codes[:450]) == pytest.approx((5.0 + 0.25) / 5.0 * 6400, abs=2 ** (16 - bits))
    got_v = codes / head["CODES"] * head["VDIV"] - head["OFST"]
    t_s = head["START"] + head["INTERVAL"] * np.arange(20_000)
    slope = 12.0 * math.sqrt(2.0) * 2.0 * math.pi * 1000.0
    half_step_v = 0.5 * 2 ** (16 - bits) / 6400 * 5.0
    assert np.max(np.abs(got_v - expected_wave(t_s))) <= half_step_v + slope * 1e-6 + 1e-6
    assert panel.cost_s("I1:WF? DAT") == pytest.approx(0.8e-3 + 40_000 * 1e-7)


def test_end_codes() -> None:
    """-32768 and 32768 - 2^(16-bits): 1 V a division are 5.12 V to either side, the burst has 17."""
    world = world_of(12)
    panel, talk = c(world, "I1:VDIV 1")
    captured(panel, talk, world)
    codes = words(panel, talk)
    assert (codes.min(), codes.max()) == (-32768, 32768 - 16)


def test_a_delay_is_counted_from_the_trigger() -> None:
    """LATE 5000 us, 500 samples before: the record begins 4.5 ms after the trigger, by START and by the wave."""
    world = world_of(14)
    panel, talk = c(world, "LATE 5000")
    captured(panel, talk, world)
    head = said(panel, talk, "I1:WF? HEAD").split(",")
    assert float(head[head.index("START") + 1]) == pytest.approx(4.5e-3)
    got_v = words(panel, talk) / 6400 * 5.0
    t_s = 4.5e-3 + 1e-6 * np.arange(20_000)
    inside = np.abs(t_s - 0.02) > 2e-6  # the burst's end falls between two samples
    slope = 12.0 * math.sqrt(2.0) * 2.0 * math.pi * 1000.0
    assert np.max(np.abs(got_v - expected_wave(t_s))[inside]) <= slope * 1e-6 + 1e-2


def test_what_has_happened_is_told_once() -> None:
    """Bit 13 when the part before the trigger is full, bit 0 when complete; a second look tells nothing; STOP rests."""
    world = world_of()
    panel, talk = c(world, "BEFORE 5000")
    assert said(panel, talk, "MODE SINGLE") == QUIET
    armed_ns = talk.now_ns
    assert panel.execute("INR?", armed_ns + 5 * MS - 1) == b"0\n"
    assert panel.execute("INR?", armed_ns + 5 * MS) == b"8192\n"
    assert panel.execute("INR?", armed_ns + 6 * MS) == b"0\n"
    world.fire(armed_ns + 10 * MS, 1.2, 1000.0, 20)
    assert panel.execute("INR?", armed_ns + 25 * MS - 1) == b"0\n"
    assert panel.execute("MODE?", armed_ns + 25 * MS - 1) == b"SINGLE\n"
    assert panel.execute("INR?", armed_ns + 25 * MS) == b"1\n"
    assert panel.execute("MODE?", armed_ns + 25 * MS) == b"STOP\n"
    talk.now_ns = armed_ns + 26 * MS
    for message in ("MODE SINGLE", "MODE STOP"):
        assert said(panel, talk, message) == QUIET
    talk.now_ns += 50 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 50 * MS
    assert said(panel, talk, "INR?") == "0"


def test_by_itself_it_captures_again_and_again() -> None:
    """The page's trap: from power-on, and after *RST, without any trigger; hours later too, at once."""
    panel, talk = DigitiserC(world_of(), "66", WIRING), Talk(ON_NS)
    assert said(panel, talk, "INR?") == "INR 8192"
    talk.now_ns += 8 * 3600 * 1_000 * MS
    assert said(panel, talk, "INR?") == "INR 8193"
    assert said(panel, talk, "I1:WF? HEAD").startswith("I1:WF HEAD,POINTS,20000,INTERVAL,1.000000000E-06S,START,")
    reply = talk.ask(panel, "I1:WF? DAT")
    assert isinstance(reply, bytes)
    assert reply.startswith(b"I1:WF DAT,#9000040000")
    assert said(panel, talk, "MODE?") == "MODE AUTO"


def test_rounding_and_refusals() -> None:
    """VDIV and RATE up, RATE held; ATTN rescales VDIV and OFST; one command a message; errors are numbers in order."""
    panel, talk = c(world_of())
    lines = [
        ("I2:VDIV 0.3", QUIET),
        ("I2:OFST -1", QUIET),
        ("I2:ATTN 100", QUIET),
        ("I2:VDIV?", "5.00E+01"),
        ("I2:OFST?", "-1.00000E+02"),
        ("I2:VDIV 1001", QUIET),
        ("I2:OFST 251", QUIET),
        ("I2:CPL D50", QUIET),
        ("I2:CPL?", "D50"),
        ("I2:CPL DC", QUIET),
        ("RATE 3E6", QUIET),
        ("RATE?", "2.000E+06"),
        ("RATE 1.3E5", QUIET),
        ("RATE?", "2.500E+05"),
        ("POINTS 49", QUIET),
        ("BEFORE 20001", QUIET),
        ("POINTS 400", QUIET),
        ("BEFORE?", "400"),
        ("LATE 50000001", QUIET),
        ("RATE?;POINTS?", QUIET),
        ("I5:VDIV?", QUIET),
        ("SYST:ERR?", QUIET),
    ]
    assert [(message, said(panel, talk, message)) for message, _ in lines] == lines
    errors = [said(panel, talk, "ERR?") for _ in range(10)]
    assert errors == ["-222", "-222", "-224", "-222", "-222", "-222", "-113", "-114", "-113", "0"]
