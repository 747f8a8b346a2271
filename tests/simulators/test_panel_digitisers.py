"""digitiser-a and digitiser-b against their pages in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest

from simulators.panel import Wait
from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.digitiser_b import DigitiserB
from simulators.panels.front import Front
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.world import World
from tests.simulators.panel_talk import MS, NO_ERROR, Talk, error
from tests.simulators.world_bench import ON_NS, S, channel, powered, unit

WIRING = {1: "output A", 2: "rail"}
CONFLICT, RANGE = error(-221, "Settings conflict"), error(-222, "Data out of range")


def world_of(bits: int = 12, noise_steps: float = 0.0) -> World:
    """A 10:1 probe on the output, 1:1 on the rail; 0.25 V of offset shows the sign."""
    truth = DigitiserTruth(bits, noise_steps, inputs={1: InputTruth(10.0), 2: InputTruth(1.0)})
    return powered(unit(channel(offset_v=0.25)), bench=BenchTruth(digitiser=truth))


def a(world: World) -> tuple[DigitiserA, Talk]:
    return DigitiserA(world, "44", WIRING), Talk(ON_NS)


def b(world: World) -> tuple[DigitiserB, Talk]:
    return DigitiserB(world, "55", WIRING), Talk(ON_NS)


A_SET_UP = [
    (":CHAN1:PROB 10", None),
    (":CHAN1:SCAL 5", None),
    (":ACQ:SRAT 1E6", None),
    (":ACQ:POIN 20000", None),
    (":TIM:PRET 5E-4", None),
    (":TRIG:SOUR EXT", None),
    (":TRIG:SWE NORM", None),
    (":SYST:ERR?", '0,"No error"'),
]
B_SET_UP = [
    ("CH1:PROBE:GAIN 0.1", None),
    ("CH1:SCALE 5", None),
    ("HOR:SAMPLER 1E6", None),
    ("HOR:RECO 20000", None),
    ("HOR:PRE 5", None),
    ("TRIG:SOU EXT", None),
    ("TRIG:MOD NORM", None),
    ("ACQ:STOPA SEQ", None),
    ("SYST:ERR?", '0,"No error"'),
]


def test_a_transcript() -> None:
    panel, talk = a(world_of())
    talk.play(panel, [("*IDN?", "LIGHTSHIP,DS-4A,44,02.11"), *A_SET_UP])
    talk.play(
        panel,
        [
            (":CHAN1:DISP ON", None),
            (":CHANnel1:DISPlay?", "1"),
            (":CHAN1:PROB?", "1.0000E+01"),
            (":CHAN1:SCAL?", "5.00000E+00"),
            (":CHAN1:OFFS?", "0.00000E+00"),
            (":CHAN1:COUP?", "DC"),
            (":CHAN1:IMP?", "ONEM"),
            (":ACQ:TYPE NORM", None),
            (":ACQ:TYPE?", "NORM"),
            (":ACQ:SRAT?", "1.000000E+06"),
            (":ACQ:POIN?", "20000"),
            (":TIM:PRET?", "5.000000E-04"),
            (":TRIG:SOUR?", "EXT"),
            (":TRIG:SWE?", "NORM"),
            (":TRIG:STAT?", "STOP"),
            (":ACQ:COUN?", "0"),
            ("*OPC?", "1"),
            (":WAV:SOUR CHAN1", None),
            (":WAV:SOUR?", "CHAN1"),
            (":WAV:DATA?", None),
            CONFLICT,
            ("*RST", None),
            (":TRIG:SWE?", "AUTO"),
        ],
    )


def test_a_rounding_of_settings() -> None:
    """Scale up to 1-2-5 at the connector, rate down, points up to hundreds; PROBe rescales SCALe."""
    panel, talk = a(world_of())
    talk.play(panel, [(":CHAN2:SCAL 0.3", None), (":CHAN2:SCAL?", "5.00000E-01"), (":CHAN2:SCAL 1E-3", None)])
    talk.play(panel, [(":CHAN2:SCAL?", "5.00000E-03"), (":CHAN2:PROB 10", None), (":CHAN2:SCAL?", "5.00000E-02")])
    talk.play(panel, [(":CHAN2:SCAL 101", None), RANGE, (":CHAN2:SCAL 100", None), (":CHAN2:SCAL?", "1.00000E+02")])
    talk.play(panel, [(":ACQ:SRAT 9E5", None), (":ACQ:SRAT?", "5.000000E+05"), (":ACQ:SRAT 9E4", None), RANGE])
    talk.play(panel, [(":ACQ:POIN 1234", None), (":ACQ:POIN?", "1300"), (":ACQ:POIN 99", None), RANGE])
    talk.play(
        panel, [(":TIM:PRET 1", None), RANGE, (":CHAN5:DISP ON", None), error(-114, "Header suffix out of range")]
    )


def test_a_many_inputs_hold_the_rate_down() -> None:
    """More than two inputs: -221, and 1e6 is taken."""
    panel, talk = a(world_of())
    talk.play(panel, [(":ACQ:SRAT 2E6", None), (":CHAN2:DISP ON", None), NO_ERROR, (":CHAN3:DISP ON", None), CONFLICT])
    talk.play(panel, [(":ACQ:SRAT?", "1.000000E+06"), (":ACQ:SRAT 2E6", None), CONFLICT])
    talk.play(panel, [(":ACQ:SRAT?", "1.000000E+06"), (":CHAN3:DISP?", "1")])


def test_a_states_of_a_capture() -> None:
    """STOP for 2 ms and until the pre-trigger is full, WAIT, RUN, STOP; the count grows when it is complete."""
    world = world_of()
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":SING", None)])
    armed_ns = talk.now_ns
    for after_ns, word in ((1.9, "STOP"), (2.49, "STOP"), (2.5, "WAIT"), (500, "WAIT")):
        assert panel.execute(":TRIG:STAT?", armed_ns + round(after_ns * MS)) == f"{word}\n".encode()
    fired_ns = armed_ns + 600 * MS
    world.fire(fired_ns, 1.0, 1000.0, 20)
    for after_ms, word, count in ((1, "RUN", 0), (19.49, "RUN", 0), (19.5, "STOP", 1), (900, "STOP", 1)):
        at_ns = fired_ns + round(after_ms * MS)
        assert panel.execute(":TRIG:STAT?;:ACQ:COUN?", at_ns) == f"{word};{count}\n".encode()


def test_a_misses_a_trigger_that_comes_too_early() -> None:
    """Before the pre-trigger is full."""
    world = world_of()
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":SING", None)])
    world.fire(talk.now_ns + MS, 1.0, 1000.0, 20)
    talk.now_ns += S
    talk.play(panel, [(":TRIG:STAT?", "WAIT"), (":STOP", None), (":TRIG:STAT?", "STOP"), (":ACQ:COUN?", "0")])


def test_a_auto_captures_by_itself() -> None:
    """50 ms after arming: the trap of the page."""
    panel, talk = a(world_of())
    talk.play(panel, [*A_SET_UP, (":TRIG:SWE AUTO", None), (":SING", None)])
    talk.now_ns += 10 * MS
    talk.play(panel, [(":TRIG:STAT?", "AUTO")])
    talk.now_ns += 80 * MS
    talk.play(panel, [(":TRIG:STAT?", "STOP"), (":ACQ:COUN?", "1")])


def payload(reply: bytes) -> bytes:
    """Of a definite length block (IEEE 488.2, 8.7.9) with its line end."""
    assert reply[:1] == b"#"
    digits = int(reply[1:2])
    count = int(reply[2 : 2 + digits])
    assert reply[2 + digits + count :] == b"\n"
    return reply[2 + digits : -1]


def asked(talk: Talk, panel: Front, message: str) -> bytes:
    reply = talk.ask(panel, message)
    assert isinstance(reply, bytes)
    return payload(reply)


def expected_wave(t_s: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """10 x 1.2 Vrms for 20 ms at 1 kHz on 0.25 V."""
    burst = (t_s > 0) & (t_s < 0.02)
    return 0.25 + np.where(burst, 12.0 * math.sqrt(2.0) * np.sin(2.0 * math.pi * 1000.0 * t_s), 0.0)


@pytest.mark.parametrize("bits", [8, 12])
def test_a_samples_are_volts_at_the_tip(bits: int) -> None:
    """(code - yreference) * yincrement + yorigin; one converter step is 2^(16-bits) codes."""
    world = world_of(bits)
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":CHAN1:OFFS 2", None), (":SING", None)])
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS
    fields = talk.text(panel, ":WAV:SOUR CHAN1;PRE?").split(",")
    assert fields[:4] == ["1", "0", "20000", "1"]
    x_step, x_first, x_ref, y_step, y_origin, y_ref = map(float, fields[4:])
    assert (x_step, x_first, x_ref, y_origin) == (1e-6, -5e-4, 0.0, 2.0)
    codes = np.frombuffer(asked(talk, panel, ":WAV:DATA?"), "<u2").astype(np.float64)
    assert set(np.unique(codes % 2 ** (16 - bits))) == {0.0}
    got_v = (codes - y_ref) * y_step + y_origin
    t_s = x_first + x_step * np.arange(20_000)
    step_v = 40.0 / 2**bits
    slope = 12.0 * math.sqrt(2.0) * 2.0 * math.pi * 1000.0  # V/s: the trigger lies anywhere within one sample
    assert np.max(np.abs(got_v - expected_wave(t_s))) <= 0.5 * step_v + slope * 1e-6 + 1e-6
    assert panel.cost_s(":WAV:DATA?") == pytest.approx(1e-3 + 40_000 * 1e-7)


def test_a_end_codes() -> None:
    """Beyond the range: 0 and 65536 - 2^(16-bits)."""
    world = world_of(10)
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":CHAN1:SCAL 1", None), (":SING", None)])
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS
    codes = np.frombuffer(asked(talk, panel, ":WAV:SOUR CHAN1;DATA?"), "<u2")
    assert (codes.min(), codes.max()) == (0, 65536 - 64)


def test_b_transcript() -> None:
    panel, talk = b(world_of())
    talk.play(panel, [("*IDN?", "NORTHQUAY,Q4 SAMPLER,55,7.0"), *B_SET_UP])
    talk.play(
        panel,
        [
            ("SEL:CH1 ON", None),
            ("SELect:CH1?", "1"),
            ("CH1:PROB:GAIN?", "1.0000E-1"),
            ("CH1:SCA?", "5.0000E+0"),
            ("CH1:POS?", "0.0000E+0"),
            ("CH1:COUP?", "DC"),
            ("CH1:TER?", "MEG"),
            ("HOR:SAMPLER?", "1.0000E+6"),
            ("HOR:RECO?", "20000"),
            ("HOR:PRE?", "5.0000E+0"),
            ("TRIG:SOU?", "EXT"),
            ("TRIG:MOD?", "NORM"),
            ("ACQ:STOPA?", "SEQ"),
            ("ACQ:STATE?", "0"),
            ("TRIG:STATE?", "SAVE"),
            ("*OPC?", "1"),
            ("DAT:SOU CH1", None),
            ("DAT:SOU?", "CH1"),
            ("CURV?", None),
            CONFLICT,
            ("*RST", None),
            ("TRIG:MOD?", "AUTO"),
            ("ACQ:STOPA?", "RUNST"),
        ],
    )


def test_b_rounding_of_settings() -> None:
    """Scale up to 1-2-5 at the connector; the probe's gain leaves it alone; rate up, above the last -222."""
    panel, talk = b(world_of())
    talk.play(panel, [("CH2:SCA 0.3", None), ("CH2:SCA?", "5.0000E-1"), ("CH2:PROB:GAIN 0.1", None)])
    talk.play(panel, [("CH2:SCA?", "5.0000E-1"), ("CH2:SCA 101", None), RANGE, ("CH2:SCA 100", None), NO_ERROR])
    talk.play(panel, [("CH2:PROB:GAIN 1", None), CONFLICT, ("CH2:PROB:GAIN?", "1.0000E-1")])
    talk.play(panel, [("HOR:SAMPLER 6E5", None), ("HOR:SAMPLER?", "1.0000E+6"), ("HOR:SAMPLER 3E6", None), RANGE])
    talk.play(panel, [("HOR:RECO 499", None), RANGE, ("HOR:PRE 101", None), RANGE, ("HOR:RECO?", "20000")])


def test_b_states_of_a_capture() -> None:
    """ARM while the 1 ms of pre-trigger fills, READY, TRIGGER, SAVE."""
    world = world_of()
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("ACQ:STATE RUN", None)])
    armed_ns = talk.now_ns
    for after_ms, word in ((0.9, "ARM"), (1.0, "READY"), (500, "READY")):
        assert panel.execute("TRIG:STATE?;:ACQ:STATE?", armed_ns + round(after_ms * MS)) == f"{word};1\n".encode()
    fired_ns = armed_ns + 600 * MS
    world.fire(fired_ns, 1.0, 1000.0, 20)
    for after_ms, word, running in ((18.9, "TRIGGER", 1), (19.0, "SAVE", 0)):
        reply = panel.execute("TRIG:STATE?;:ACQ:STATE?", fired_ns + round(after_ms * MS))
        assert reply == f"{word};{running}\n".encode()


def test_b_opc_blocks_until_complete() -> None:
    """Asked before the burst, it answers when the last sample is in."""
    world = world_of()
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("ACQ:STATE RUN", None)])
    wait = talk.ask(panel, "*OPC?")
    fired_ns = talk.now_ns + 5 * MS
    while isinstance(wait, Wait):
        assert wait.until_ns is not None
        if talk.now_ns < fired_ns <= wait.until_ns:
            world.fire(fired_ns, 1.0, 1000.0, 20)
        talk.now_ns = wait.until_ns
        wait = panel.execute("*OPC?", talk.now_ns)
    assert wait == b"1\n"
    assert talk.now_ns == fired_ns + 19 * MS


def test_b_opc_without_trigger_is_freed_by_a_new_connection() -> None:
    """It never answers; after a new connection the old question is dropped and the next one is served."""
    panel, talk = b(world_of())
    talk.play(panel, [*B_SET_UP, ("ACQ:STATE RUN", None)])
    wait = talk.ask(panel, "*OPC?")
    for _ in range(200):
        assert isinstance(wait, Wait)
        assert wait.until_ns is not None
        talk.now_ns = wait.until_ns
        wait = panel.execute("*OPC?", talk.now_ns)
    panel.connected()
    talk.now_ns += MS
    assert panel.execute("*OPC?", talk.now_ns) is None
    talk.play(panel, [("*IDN?", "NORTHQUAY,Q4 SAMPLER,55,7.0"), ("ACQ:STATE STOP", None), ("*OPC?", "1")])


def test_b_without_seq_arms_itself_again() -> None:
    """RUNST: two bursts, two captures, and still running."""
    world = world_of()
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("ACQ:STOPA RUNST", None), ("ACQ:STATE RUN", None)])
    seen = []
    for level in (0.5, 1.0):
        talk.now_ns += 50 * MS
        world.fire(talk.now_ns, level, 1000.0, 20)
        talk.now_ns += 50 * MS
        talk.play(panel, [("ACQ:STATE?", "1"), ("TRIG:STATE?", "READY")])
        seen.append(np.frombuffer(asked(talk, panel, "CURV?"), ">i2").max())
    assert seen[1] / seen[0] == pytest.approx(2.0, rel=0.05)


@pytest.mark.parametrize("bits", [8, 14])
def test_b_samples_are_volts_at_the_tip(bits: int) -> None:
    """(code - yoff) * ymult + yzero, signed, high byte first; position +1 division lifts the trace."""
    world = world_of(bits)
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("CH1:POS 1", None), ("ACQ:STATE RUN", None)])
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS
    fields = talk.text(panel, "WFMO?").split(";")
    assert fields[:4] == ["2", "16", "RI", "20000"]
    x_step, x_zero, y_mult, y_off, y_zero = map(float, fields[4:])
    assert (x_step, x_zero, y_zero) == (1e-6, -1e-3, 0.0)
    codes = np.frombuffer(asked(talk, panel, "CURV?"), ">i2").astype(np.float64)
    assert set(np.unique(codes % 2 ** (16 - bits))) == {0.0}
    assert np.mean(codes[:900]) > 6000.0  # one division up is 6553.6 codes
    got_v = (codes - y_off) * y_mult + y_zero
    t_s = x_zero + x_step * np.arange(20_000)
    slope = 12.0 * math.sqrt(2.0) * 2.0 * math.pi * 1000.0
    assert np.max(np.abs(got_v - expected_wave(t_s))) <= 0.5 * 50.0 / 2**bits + slope * 1e-6 + 1e-6
    assert panel.cost_s("CURV?") == pytest.approx(0.5e-3 + 40_000 * 0.5e-7)


def test_b_end_codes() -> None:
    """-32768 and 32768 - 2^(16-bits)."""
    world = world_of(12)
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("CH1:SCA 1", None), ("ACQ:STATE RUN", None)])
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS
    codes = np.frombuffer(asked(talk, panel, "CURV?"), ">i2")
    assert (codes.min(), codes.max()) == (-32768, 32768 - 16)


def test_fetching_twice_gives_the_same_samples() -> None:
    """What was captured stays, whatever is set or asked later."""
    world = world_of(12, noise_steps=0.7)
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":SING", None)])
    talk.now_ns += 10 * MS
    world.fire(talk.now_ns, 1.2, 1000.0, 20)
    talk.now_ns += 30 * MS
    first = asked(talk, panel, ":WAV:DATA?")
    talk.play(panel, [(":CHAN1:SCAL 50", None), (":ACQ:POIN 500", None)])
    world.fire(talk.now_ns, 0.2, 1000.0, 20)
    assert asked(talk, panel, ":WAV:DATA?") == first
