"""digitiser-b against its page in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panel import Wait
from tests.simulators.digitiser_bench import (
    B_SET_UP,
    CONFLICT,
    RANGE,
    asked,
    b,
    expected_wave,
    world_of,
)
from tests.simulators.panel_talk import MS, NO_ERROR


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
