"""Records that begin long after the trigger: both fronts against their pages in simulators/panels/MANUALS.md."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from simulators.panel import Wait
from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.digitiser_b import DigitiserB
from simulators.world.bench_truth import BenchTruth, DigitiserTruth, InputTruth
from simulators.world.digitise import Digitiser, Record
from simulators.world.world import World
from tests.simulators.digitiser_bench import A_SET_UP, B_SET_UP, RANGE, WIRING, a, asked, b, world_of
from tests.simulators.panel_talk import MS, NO_ERROR, Talk
from tests.simulators.sine_fit import Samples, fitted
from tests.simulators.world_bench import ON_NS, S, channel, powered, unit

TONE_HZ, CYCLES, LEVEL_VRMS = 1000.0, 2000, 1.2  # two seconds
PEAK_V = 10.0 * LEVEL_VRMS * math.sqrt(2.0)  # behind a gain of 20 dB
SAMPLE_HZ, POINTS = 5e5, 100_000  # 0.2 s, the whole memory of either front
ONE_SAMPLE_RAD = 2.0 * math.pi * TONE_HZ / SAMPLE_HZ


def test_a_delay_is_rounded_to_ten_microseconds() -> None:
    """0 .. 50 s, beyond -222 and as it was; *RST: 0; a new rate leaves it alone."""
    panel, talk = a(world_of())
    talk.play(
        panel, [(":TRIG:DEL?", "0.000000000E+00"), (":TRIGger:DELay 1.8", None), (":TRIG:DEL?", "1.800000000E+00")]
    )
    talk.play(panel, [(":TRIG:DEL 1.800004", None), (":TRIG:DEL?", "1.800000000E+00")])
    talk.play(panel, [(":TRIG:DEL 1.800006", None), (":TRIG:DEL?", "1.800010000E+00")])
    talk.play(panel, [(":ACQ:SRAT 1E5", None), (":TRIG:DEL?", "1.800010000E+00")])
    talk.play(panel, [(":TRIG:DEL 50.1", None), RANGE, (":TRIG:DEL -1E-3", None), RANGE])
    talk.play(panel, [(":TRIG:DEL?", "1.800010000E+00"), (":TRIG:DEL 50", None), NO_ERROR])
    talk.play(panel, [(":TRIG:DEL?", "5.000000000E+01"), ("*RST", None), (":TRIG:DEL?", "0.000000000E+00")])


def test_b_delay_is_a_number_of_samples() -> None:
    """0.4 us apart at 2.5 MS/s; a new rate keeps the number: 4,500,001 samples are 9.000002 s at 5E5, and by then
    45.00001 s at 1E5. More than 50 s is held down to 50 s.
    """
    panel, talk = b(world_of())
    talk.play(
        panel, [("HOR:BEG?", "0.000000000E+0"), ("HOR:SAMPLER 2.5E6", None), ("HORizontal:BEGin 1.8000003", None)]
    )
    talk.play(panel, [("HOR:BEG?", "1.800000400E+0"), ("HOR:SAMPLER 5E5", None), ("HOR:BEG?", "9.000002000E+0")])
    talk.play(panel, [("HOR:SAMPLER 1E5", None), ("HOR:BEG?", "4.500001000E+1")])
    talk.play(panel, [("HOR:SAMPLER 2.5E6", None), ("HOR:BEG 50", None), ("HOR:SAMPLER 1E5", None), NO_ERROR])
    talk.play(panel, [("HOR:BEG?", "5.000000000E+1"), ("HOR:BEG 50.1", None), RANGE, ("HOR:BEG -1", None), RANGE])
    talk.play(panel, [("HOR:BEG?", "5.000000000E+1"), ("*RST", None), ("HOR:BEG?", "0.000000000E+0")])


def test_a_states_while_the_delay_passes() -> None:
    """WAIT once the 0.5 ms of pre-trigger are full, as ever; RUN until 1.8 s + 20 ms - 0.5 ms after the trigger."""
    world = world_of()
    panel, talk = a(world)
    talk.play(panel, [*A_SET_UP, (":TRIG:DEL 1.8", None), (":SING", None)])
    armed_ns = talk.now_ns
    for after_ms, word in ((2.49, "STOP"), (2.5, "WAIT")):
        assert panel.execute(":TRIG:STAT?", armed_ns + round(after_ms * MS)) == f"{word}\n".encode()
    fired_ns = armed_ns + 600 * MS
    world.fire(fired_ns, 1.0, 1000.0, 20)
    for after_ms, word, count in ((1, "RUN", 0), (1819.49, "RUN", 0), (1819.5, "STOP", 1)):
        at_ns = fired_ns + round(after_ms * MS)
        assert panel.execute(":TRIG:STAT?;:ACQ:COUN?", at_ns) == f"{word};{count}\n".encode()


def test_b_states_while_the_delay_passes() -> None:
    """TRIGGER until 1.8 s + 20 ms - 1 ms after the trigger; *OPC? answers just then."""
    world = world_of()
    panel, talk = b(world)
    talk.play(panel, [*B_SET_UP, ("HOR:BEG 1.8", None), ("ACQ:STATE RUN", None)])
    armed_ns = talk.now_ns
    for after_ms, word in ((0.9, "ARM"), (1.0, "READY")):
        assert panel.execute("TRIG:STATE?", armed_ns + round(after_ms * MS)) == f"{word}\n".encode()
    fired_ns = armed_ns + 600 * MS
    world.fire(fired_ns, 1.0, 1000.0, 20)
    for after_ms, word, running in ((1, "TRIGGER", 1), (1818.9, "TRIGGER", 1)):
        reply = panel.execute("TRIG:STATE?;:ACQ:STATE?", fired_ns + round(after_ms * MS))
        assert reply == f"{word};{running}\n".encode()
    wait = panel.execute("*OPC?", fired_ns + round(1818.95 * MS))
    assert isinstance(wait, Wait)
    assert wait.until_ns == fired_ns + 1819 * MS
    assert panel.execute("*OPC?", wait.until_ns) == b"1\n"
    assert panel.execute("TRIG:STATE?;:ACQ:STATE?", wait.until_ns) == b"SAVE;0\n"


def test_the_delay_of_a_capture_is_the_one_set_when_it_was_armed() -> None:
    """Pages of both."""
    for panel, talk, set_up, arm, later, preamble, place in (
        (*a(world_of()), A_SET_UP, ":TRIG:DEL 1.8;:SING", ":TRIG:DEL 0.1", ":WAV:SOUR CHAN1;PRE?", 5),
        (*b(world_of()), B_SET_UP, "HOR:BEG 1.8;:ACQ:STATE RUN", "HOR:BEG 0.1", "WFMO?", 5),
    ):
        talk.play(panel, [*set_up, (arm, None)])
        talk.now_ns += 10 * MS
        panel._world.fire(talk.now_ns, 1.0, 1000.0, 20)
        talk.play(panel, [(later, None)])
        talk.now_ns += 2 * S
        fields = talk.text(panel, preamble).replace(";", ",").split(",")
        before_s = 5e-4 if isinstance(panel, DigitiserA) else 1e-3
        assert float(fields[place]) == pytest.approx(1.8 - before_s, abs=1e-12)


# Where the samples lie


def steady_world(clock_ppm: float = 0.0) -> World:
    truth = DigitiserTruth(14, 0.0, clock_ppm=clock_ppm, inputs={1: InputTruth(10.0)})
    return powered(unit(channel()), bench=BenchTruth(digitiser=truth))


def front(letter: str, world: World) -> tuple[DigitiserA | DigitiserB, Talk]:
    return a(world) if letter == "a" else b(world)


def record_of(letter: str, world: World, delay_s: float, before_s: float = 0.0) -> tuple[Samples, Samples]:
    """(times, volts) by the formulas of the page. The whole memory, from a tone of two seconds that begins at
    ON_NS + 0.1 s in any case: the fraction of a sample by which the trigger is missed hangs on that instant.
    """
    panel, talk = front(letter, world)
    if letter == "a":
        set_up = [*A_SET_UP, (":ACQ:SRAT 5E5;POIN 100000", None), (f":TIM:PRET {before_s};:TRIG:DEL {delay_s}", None)]
        talk.play(panel, [*set_up, (":SING", None)])
    else:
        shape = f"HOR:SAMPLER 5E5;RECO 100000;PRE {before_s / 0.2 * 100};BEG {delay_s}"
        talk.play(panel, [*B_SET_UP, (shape, None), ("ACQ:STATE RUN", None)])
    talk.play(panel, [NO_ERROR])
    talk.now_ns = ON_NS + 100 * MS
    world.fire(talk.now_ns, LEVEL_VRMS, TONE_HZ, CYCLES)
    talk.now_ns += 3 * S
    if letter == "a":
        fields = [float(f) for f in talk.text(panel, ":WAV:SOUR CHAN1;PRE?").split(",")]
        x_step, x_first, _, y_step, y_origin, y_ref = fields[4:]
        codes = np.frombuffer(asked(talk, panel, ":WAV:DATA?"), "<u2").astype(np.float64)
        volts = (codes - y_ref) * y_step + y_origin
    else:
        fields = [float(f) for f in talk.text(panel, "WFMO?").replace("RI", "0").split(";")]
        x_step, x_first, y_mult, y_off, y_zero = fields[4:]
        codes = np.frombuffer(asked(talk, panel, "CURV?"), ">i2").astype(np.float64)
        volts = (codes - y_off) * y_mult + y_zero
    return x_first + x_step * np.arange(codes.size), volts


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_last_fifth_of_a_second_of_a_steady_tone(letter: str) -> None:
    """Against the closed form peak sin(2 pi f t): the trigger falls anywhere within one sample, so by the told times
    the phase may lag by a part of a sample's turn. A record of the same tone's begin misses the trigger by the same
    part: the two agree, since the delay is whole turns (1.8 s at 1 kHz).
    """
    early_s, early_v = record_of(letter, steady_world(), 0.0)
    late_s, late_v = record_of(letter, steady_world(), 1.8)
    assert late_v.size == POINTS
    assert (early_s[0], late_s[0]) == (0.0, pytest.approx(1.8, abs=1e-12))
    early, late = fitted(early_s, early_v, TONE_HZ), fitted(late_s, late_v, TONE_HZ)
    assert late[0] == pytest.approx(PEAK_V, rel=1e-4)
    assert -1e-3 <= late[1] <= ONE_SAMPLE_RAD + 1e-3
    assert late[1] == pytest.approx(early[1], abs=1e-3)


@pytest.mark.parametrize("letter", ["a", "b"])
@pytest.mark.parametrize(("delay_s", "before_s"), [(1.8, 0.0), (1.805, 0.005), (1.79999, 0.0), (0.001, 0.005)])
def test_phase_by_the_true_times_of_the_samples(letter: str, delay_s: float, before_s: float) -> None:
    """2 pi f t within 1e-3 rad, t as the converter really sampled; the told times are those to within one sample."""
    world = steady_world()
    told_s, volts = record_of(letter, world, delay_s, before_s)
    converters = Digitiser(world, f"digitiser-{letter} {'44' if letter == 'a' else '55'}", WIRING)
    first = round((delay_s - before_s) * SAMPLE_HZ)
    true_s = converters.sample_times_s(Record(ON_NS + 100 * MS, SAMPLE_HZ, POINTS, -first))
    assert told_s[0] == pytest.approx(delay_s - before_s, abs=1e-12)
    assert np.all((true_s - told_s > -1e-12) & (true_s - told_s < 1.0 / SAMPLE_HZ + 1e-12))
    sounding = (true_s > 0.0) & (true_s < 1.999)
    peak_v, phase_rad, _ = fitted(true_s[sounding], volts[sounding], TONE_HZ)
    assert peak_v == pytest.approx(PEAK_V, rel=1e-4)
    assert phase_rad == pytest.approx(0.0, abs=1e-3)
    assert np.all(np.abs(volts[true_s < 0.0]) < 0.01)


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_delay_is_counted_by_the_sample_clock(letter: str) -> None:
    """Page. 200 ppm fast: told t is really t / 1.0002. The tone seems lower by that, and keeps its phase at t = 0; had
    the delay been kept by a true clock, the phase would be 1.8 s x 200e-6 x 2 pi x 1 kHz = 2.26 rad off.
    """
    told_s, volts = record_of(letter, steady_world(200.0), 1.8)
    _, phase_rad, _ = fitted(told_s, volts, TONE_HZ / 1.0002)
    assert -1e-3 <= phase_rad <= ONE_SAMPLE_RAD + 1e-3


@pytest.mark.parametrize("letter", ["a", "b"])
def test_the_world_is_read_for_the_record_alone(letter: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """No instant of the delay is worked out."""
    read: list[Samples] = []
    wires = World.wires

    def kept(self: World, names: Any, base_ns: int, t_s: Samples) -> Any:
        read.append(t_s)
        return wires(self, names, base_ns, t_s)

    monkeypatch.setattr(World, "wires", kept)
    record_of(letter, steady_world(), 1.8)
    (only,) = read
    assert only.size == POINTS
    assert only[0] >= 1.8
