"""digitiser-a against its page in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.simulators.digitiser_bench import (
    A_SET_UP,
    CONFLICT,
    RANGE,
    a,
    asked,
    expected_wave,
    world_of,
)
from tests.simulators.panel_talk import MS, NO_ERROR, error
from tests.simulators.world_bench import S


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
