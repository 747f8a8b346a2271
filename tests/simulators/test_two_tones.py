"""Two tones at once: the generator's page, and what a unit makes of the sum, by superposition and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulators.panels.generator_a import GeneratorA
from simulators.world.channel_truth import NetworkTruth
from simulators.world.signals import SecondTone
from simulators.world.unit_truth import RailTruth
from tests.simulators.panel_talk import NO_ERROR, Talk, error
from tests.simulators.world_bench import ON_NS, channel, powered, unit, volts

LEVEL_VRMS = 1.0
TIMES_S = (np.arange(20_000) + 0.5) / 200_000.0  # 0.1 s
PAIRS = [(60.0, 7000.0, 4.0), (19000.0, 20000.0, 1.0)]


def peaks(level_vrms: float, ratio: float) -> tuple[float, float]:
    """By the page: the level is that of a sine whose peak equals the two peaks added."""
    peak = math.sqrt(2.0) * level_vrms
    return peak * ratio / (1.0 + ratio), peak / (1.0 + ratio)


@pytest.mark.parametrize(("first_hz", "second_hz", "ratio"), PAIRS)
def test_the_sum_of_two_sines_in_a_closed_form(first_hz: float, second_hz: float, ratio: float) -> None:
    """A1 sin(w1 t) + A2 sin(w2 t), times the gain of 10; its crest never passes that of the sine at the same level."""
    world = powered(unit())
    world.fire(ON_NS, LEVEL_VRMS, first_hz, round(0.2 * first_hz), second=SecondTone(second_hz, ratio))
    wave = volts(world, "output A", ON_NS, TIMES_S)
    one, two = peaks(LEVEL_VRMS, ratio)
    angle = 2.0 * np.pi * TIMES_S
    expected = 10.0 * (one * np.sin(angle * first_hz) + two * np.sin(angle * second_hz))
    assert np.abs(wave - expected).max() < 1e-6
    assert np.abs(wave).max() <= 10.0 * math.sqrt(2.0) * LEVEL_VRMS * (1.0 + 1e-9)


@pytest.mark.parametrize(
    "changes", [{"coupling_hz": 30.0}, {"coupling_hz": 5.0, "network": NetworkTruth(boost_hz=60.0, boost_db=6.0)}]
)
def test_linear_paths_give_each_tone_for_itself(changes: dict[str, object]) -> None:
    """Superposition: coupling and boost of the sum are the sum of what they make of each tone alone, tails included."""
    one, two = (peak / math.sqrt(2.0) for peak in peaks(LEVEL_VRMS, 4.0))
    waves = []
    for level, hz, second in ((LEVEL_VRMS, 60.0, SecondTone(7000.0, 4.0)), (one, 60.0, None), (two, 7000.0, None)):
        world = powered(unit(channel(**changes), rail=RailTruth(1000.0)))
        world.fire(ON_NS, level, hz, round(0.2 * hz), second=second)
        waves.append(volts(world, "output A", ON_NS, TIMES_S))
    both, low, high = waves
    assert np.abs(both - low - high).max() < 1e-6 * np.abs(both).max()


def test_a_rail_that_sags_under_both_tones() -> None:
    """tau dV/dt = V0 - Rs |v|/R - V for the sum of both, walked step by step here (no clip): the rail lies under it."""
    ohm, source_ohm, tau_s = 8.0, 0.5, 0.004
    world = powered(unit(rail=RailTruth(30.0, source_ohm, tau_s)), ohm)
    world.fire(ON_NS, LEVEL_VRMS * 2.4, 60.0, 12, second=SecondTone(7000.0, 4.0))  # crest 33.9 V wanted: it clips
    t_s = np.arange(0, 200_000) / 1e6
    wave = volts(world, "output A", ON_NS, t_s)
    one, two = (10.0 * peak for peak in peaks(2.4 * LEVEL_VRMS, 4.0))
    wanted = one * np.sin(2 * np.pi * 60.0 * t_s) + two * np.sin(2 * np.pi * 7000.0 * t_s)
    rail, out, keep = 30.0, np.empty_like(t_s), math.exp(-1e-6 / tau_s)
    for k, v in enumerate(wanted.tolist()):
        out[k] = min(max(v, -rail), rail)
        toward = 30.0 - source_ohm * abs(out[k]) / ohm
        rail = toward + (rail - toward) * keep
    assert np.abs(wave - out).max() < 0.02 * 30.0  # straight lines between the grid's points, 60 a cycle of 7 kHz
    assert float(np.sqrt(np.mean((wave - out) ** 2))) < 0.002 * 30.0


def test_the_page_of_the_generator() -> None:
    """Words, ranges and defaults as printed; changing the function never raises the highest volts."""
    world = powered(unit())
    panel, talk = GeneratorA(world, "0815"), Talk(ON_NS)
    talk.play(
        panel,
        [
            ("SOUR1:FUNC?", "SIN"), ("SOUR1:DUAL:FREQ?", "+1.0000000000E+03"), ("SOUR1:DUAL:RAT?", "+1.0000000E+00"),
            ("SOUR1:FUNC DUALtone", None), ("SOUR1:FUNC?", "DUAL"),
            ("SOUR1:DUALtone:FREQuency 7000", None), ("SOUR1:DUAL:FREQ?", "+7.0000000000E+03"),
            ("SOUR1:DUAL:RATio 4", None), ("SOUR1:DUAL:RAT?", "+4.0000000E+00"), NO_ERROR,
            ("SOUR1:DUAL:RAT 11", None), error(-222, "Data out of range"),
            ("SOUR1:DUAL:FREQ 2e6", None), error(-222, "Data out of range"),
            ("SOUR1:FUNC SQU", None), error(-224, "Illegal parameter value"),
            ("SOUR1:DUAL:RAT?", "+4.0000000E+00"),
            ("OUTP1:LOAD INF", None), ("SOUR1:VOLT:UNIT VRMS", None), ("SOUR1:VOLT 0.5", None), ("SOUR1:FREQ 60", None),
            ("SOUR1:BURS:NCYC 15", None), ("SOUR1:BURS:STAT ON", None), ("TRIG1:SOUR BUS", None), ("OUTP1 ON", None),
            ("SOUR1:VOLT?", "+5.0000000E-01"), ("*TRG", None), NO_ERROR,
        ],
    )  # fmt: skip
    tone = world.tone_at(talk.now_ns)
    assert tone is not None
    assert (tone.frequency_hz, tone.cycles, tone.second) == (60.0, 15, SecondTone(7000.0, 4.0))
    assert tone.peak_v == pytest.approx(0.5 * math.sqrt(2.0))
    assert (tone.first_peak_v, tone.second_peak_v) == pytest.approx(peaks(0.5, 4.0))
    talk.play(panel, [("*RST", None), ("SOUR1:FUNC?", "SIN")])
