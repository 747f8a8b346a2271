"""Floors and distortion with noise against simulated ideal converters and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.burst import last_cycle
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.noise import (
    below_floor,
    less_noise,
    power_noise,
    thd_floor,
    thd_n,
    thd_n_floor,
    thd_n_of,
    thd_n_reading,
    thd_uncertainty,
)
from tests.sequencer.analysis_waves import Converter, Real, burst

FILL = 0.8


def floor_pct(bits: int, samples: int, noise_steps: float, harmonics: int) -> float:
    amplitude = FILL * 2 ** (bits - 1)
    return 100.0 * thd_floor(math.sqrt(noise_steps**2 + 1 / 12), amplitude, samples, harmonics, 1.0)


@pytest.mark.parametrize(
    ("samples", "bits", "noise_steps", "k10", "k20"),
    [
        (200, 8, 0.0, 0.12, 0.17),
        (200, 8, 0.3, 0.17, 0.25),
        (200, 8, 0.5, 0.24, 0.35),
        (200, 12, 0.3, 0.011, 0.016),
        (1000, 8, 0.0, 0.062, 0.091),
        (1000, 8, 0.3, 0.077, 0.112),
        (1000, 12, 0.3, 0.0048, 0.0070),
        (10_000, 8, 0.0, 0.036, 0.053),
        (20_000, 8, 0.3, 0.018, 0.026),
        (100_000, 8, 0.5, 0.011, 0.016),
    ],
)
def test_floor_table(samples: int, bits: int, noise_steps: float, k10: float, k20: float) -> None:
    """Percent at 0.8 fill, worked by hand from the same formula to two digits."""
    assert floor_pct(bits, samples, noise_steps, 10) == pytest.approx(k10, rel=0.06)
    assert floor_pct(bits, samples, noise_steps, 20) == pytest.approx(k20, rel=0.06)


def clean(random: np.random.Generator, samples: int, cycles: float, converter: Converter) -> tuple[Real, Real]:
    """A clean sine at any phase, offset and slight difference of clocks."""
    t = np.arange(samples) / samples * cycles / 1000.0
    turn = 2 * np.pi * 1000.0 * (1 + 30e-6 * random.standard_normal())
    return t, converter(FILL * np.sin(turn * t + random.uniform(0, 6.3)) + 0.01 * random.standard_normal())


@pytest.mark.parametrize(
    ("bits", "noise_steps", "samples", "low", "high"),
    [(8, 0.3, 1000, 0.9, 1.1), (8, 0.5, 1000, 0.9, 1.1), (12, 0.3, 200, 0.9, 1.1), (8, 0.0, 2000, 0.65, 1.3)],
)
def test_clean_records_show_the_floor(bits: int, noise_steps: float, samples: int, low: float, high: float) -> None:
    """Truth: no distortion put in. Rms of the raw THD over the floor told by each record: near 1.

    Without noise before the converter its own harmonics scatter with the amplitude: 0.7 to 1.2 is what others
    measured.
    """
    random = np.random.default_rng(4)
    converter = Converter(bits, 1.0, noise_steps, seed=11)
    seen, told = [], []
    for _ in range(400):
        t, volts = clean(random, samples, 1.0, converter)
        fit = fit_harmonics(volts, t, 1000.0, 20)
        seen.append(fit.thd_f**2)
        told.append(thd_floor(fit.residual_rms_v, fit.amplitude_v, samples, 20, converter.step_v) ** 2)
    assert low < math.sqrt(np.mean(seen) / np.mean(told)) < high


def test_false_and_missed_distortion() -> None:
    """Clean records called distortion: chance says 0.1 % at 2 floors; records with 3 floors of it: seen in 99 %."""
    random, converter = np.random.default_rng(8), Converter(8, 1.0, 0.3, seed=12)
    false = missed = 0
    for _ in range(1500):
        t, volts = clean(random, 500, 1.0, converter)
        fit = fit_harmonics(volts, t, 1000.0, 20)
        floor = thd_floor(fit.residual_rms_v, fit.amplitude_v, 500, 20, converter.step_v)
        false += not below_floor(fit.thd_f, floor)
        added = volts + FILL * 3.0 * floor * np.sin(2 * np.pi * 3000.0 * t + random.uniform(0, 6.3))
        again = fit_harmonics(converter(added), t, 1000.0, 20)
        missed += below_floor(again.thd_f, floor)
    assert false <= 6
    assert missed <= 15


def test_noise_power_is_taken_away_without_bias() -> None:
    """Truth: 1 % third harmonic put in, 8 bits, half a step of noise: mean bias below 0.002 points; u as
    scattered."""
    random, converter = np.random.default_rng(9), Converter(8, 1.0, 0.5, seed=13)
    readings, told = [], []
    for _ in range(1500):
        t = np.arange(1000) / 1e6
        phase = random.uniform(0, 6.3)
        wave = np.sin(6283.185307 * t + phase) + 0.01 * np.sin(3 * 6283.185307 * t + random.uniform(0, 6.3))
        fit = fit_harmonics(converter(FILL * wave), t, 1000.0, 20)
        noise = (fit.residual_rms_v, fit.amplitude_v, 1000)
        readings.append(less_noise(fit.thd_f, thd_floor(*noise, 20, converter.step_v)))
        told.append(thd_uncertainty(*noise, converter.step_v))
    spread = float(np.std(readings))
    assert float(np.mean(readings)) == pytest.approx(0.01, abs=2e-5 + 3 * spread / math.sqrt(1500))
    assert 0.93 < spread / np.mean(told) < 1.07


def test_less_noise_stays_above_zero() -> None:
    """sqrt(0.5^2 - 0.3^2) = 0.4 (Pythagoras); under the floor a tenth of it; without a floor the value itself."""
    assert less_noise(0.5, 0.3) == pytest.approx(0.4)
    assert less_noise(0.2, 0.3) == pytest.approx(0.03)
    assert less_noise(0.2, 0.0) == pytest.approx(0.2)
    assert (less_noise(0.0, math.inf), thd_floor(0.0, 0.0, 10, 20, 1.0)) == (0.0, math.inf)


def test_power_noise() -> None:
    """u(V^2)/V^2 = 2 sqrt(2/N) s/A (bound of the amplitude in white noise): s/A = 1 %, N = 2,000: 0.0632 %."""
    t = np.arange(2000) / 1e6
    volts = np.sin(6283.185307 * t) + 0.01 * np.random.default_rng(1).standard_normal(2000)
    assert power_noise(fit_harmonics(volts, t, 1000.0, 20)) == pytest.approx(2 * 0.01 * math.sqrt(1e-3), rel=0.06)


BAND = (20.0, 20e3)


@pytest.mark.parametrize(("cycles", "carrier"), [(3, 0.0), (10, 0.0), (10, 0.02)])
def test_thd_n_in_a_band(cycles: int, carrier: float) -> None:
    """8 bits, 1 MS/s, half a step of noise: sqrt(s^2 + 1/12) steps, 1/25 of it in 20 kHz, against 102.4 steps of
    crest: 0.160 % (closed form). A carrier of 2 % at 300 kHz lies outside the band and must not count.
    """
    random, converter = np.random.default_rng(2), Converter(8, 1.0, 0.5, seed=3)
    true = math.sqrt((0.25 + 1 / 12) * (BAND[1] - BAND[0]) / 500e3) / (FILL * 128 / math.sqrt(2))
    assert 100 * true == pytest.approx(0.160, abs=0.002)
    t = np.arange(1000 * cycles + 37) / 1e6
    values = []
    for _ in range(300):
        wave = np.sin(6283.185307 * t + random.uniform(0, 6.3)) + carrier * np.sin(2 * np.pi * 300e3 * t)
        values.append(thd_n_of(converter(FILL * wave), t, 1000.0, 20, BAND).ratio)
    power = math.sqrt(np.mean(np.square(values)))
    assert power == pytest.approx(true, rel=0.03)


def test_thd_n_with_harmonics_and_its_uncertainty() -> None:
    """Truth: 0.2 and 0.1 % of harmonics and the noise as above: roots of sums of squares; 2 u hold it in about 95
    %."""
    random, converter = np.random.default_rng(21), Converter(8, 1.0, 0.5, seed=22)
    noise = math.sqrt((0.25 + 1 / 12) * (BAND[1] - BAND[0]) / 500e3) / (FILL * 128 / math.sqrt(2))
    true = math.sqrt(noise**2 + 0.002**2 + 0.001**2)
    t = np.arange(6037) / 1e6
    inside, ratios = 0, []
    for _ in range(600):
        wave = np.sin(6283.185307 * t + random.uniform(0, 6.3))
        wave += 0.002 * np.sin(2 * 6283.185307 * t) + 0.001 * np.sin(5 * 6283.185307 * t)
        reading = thd_n_of(converter(FILL * wave), t, 1000.0, 20, BAND)
        inside += abs(reading.ratio - true) < 2 * reading.u
        ratios.append(reading.ratio)
    assert np.mean(ratios) == pytest.approx(true, rel=0.01)
    assert 0.91 < inside / 600 < 0.985


def test_thd_n_of_a_burst() -> None:
    """A burst through 12 bits: the later half, harmonics by the Fourier series (1 %), no noise to speak of."""
    record = Converter(12, 1.2).record(lambda t: np.clip(burst(1000.0, 8)(t), -0.971360054, 0.971360054), 1000.0, 8)
    reading = thd_n_reading(record, 0.0, 1000.0, 8, 20, BAND)
    assert reading.ratio == pytest.approx(0.01, abs=5e-5)
    assert reading.bins == pytest.approx(0.00398 * 20e3, abs=4)  # 4 cycles less their ends, cut to a quick length
    assert thd_n(record, 0.0, 1000.0, 8, 20, BAND) == reading.ratio
    with pytest.raises(ValueError, match="3 cycles"):
        thd_n(record, 0.0, 1000.0, 2, 20, BAND)


def test_thd_n_floor() -> None:
    """Even step error, step/sqrt(12) (SNR = 6.02 bits + 1.76 dB at full scale): 12 bits, 74.01 dB, band 1/25."""
    record = Converter(12, 1.0).record(burst(1000.0, 3), 1000.0, 3)
    last = last_cycle(record, 0.0, 1000.0, 3)
    expected = 10 ** (-(6.0206 * 12 + 1.7609) / 20) * math.sqrt(19980 / 500e3)
    assert thd_n_floor(record, last, BAND) == pytest.approx(expected, rel=1e-3)
