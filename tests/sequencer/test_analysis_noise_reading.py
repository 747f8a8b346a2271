"""Noise, hum and signal-to-noise ratio of silent records against what was put into them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from sequencer.analysis.records import Record
from sequencer.analysis.silence import NoiseReading, Silence, reading_of, signal_to_noise_db, silence_of
from tests.sequencer.analysis_waves import Converter, Real

RATE = 50e3
BAND_SHARE = (20e3 - 20.0) / (RATE / 2.0)
# Of white noise in 20 Hz to 20 kHz: IEC 61672-1, Annex E, integrated elsewhere.
A_WHITE = 10.0 ** (-2.0483 / 20.0)


def silence(volts: Real, converter: Converter) -> Record:
    return Record(
        converter(volts), 1.0 / RATE, 0.0, converter.step_v, converter.full_scale_v, False, converter.bits or 0
    )


def read_noise(record: Record, mains_hz: float, digitiser: Record | None = None) -> NoiseReading:
    own = None if digitiser is None else heard(digitiser, mains_hz)
    return reading_of(heard(record, mains_hz), own)


def heard(record: Record, mains_hz: float) -> Silence:
    return silence_of(record.volts, record.sample_interval_s, mains_hz, record.step_v)


def hum(samples: int, lines: dict[int, float], mains_hz: float, phase: float = 0.4) -> Real:
    """lines: Vrms by multiple."""
    t = np.arange(samples) / RATE
    volts: Real = np.zeros(samples)
    for order, rms in lines.items():
        volts += math.sqrt(2.0) * rms * np.sin(2 * np.pi * order * mains_hz * t + phase * order)
    return volts


def test_noise_and_weighted_noise_cover_the_truth() -> None:
    """White noise of 10 mV and hum of 2 mV, clock of mains 0.1 % off, 12 bits with more than a step of noise: 95 %
    intervals (1.96 u) hold the truth in 93 to 97 % of 2,000 records of 0.1 s."""
    random, converter = np.random.default_rng(31), Converter(12, 2.0, 0.0, seed=1)
    truth = {"rest": 0.01 * math.sqrt(BAND_SHARE)}
    lines = {1: 0.0015, 2: 0.0013}
    truth["total"] = math.hypot(truth["rest"], 0.0015, 0.0013)
    # A-weighting of 50 and 100 Hz at these exact frequencies: rounded poles by the printed formula.
    at_50, at_100 = (10 ** (db / 20) for db in (-30.275, -19.145))
    truth["a_weighted"] = math.hypot(truth["rest"] * A_WHITE, 0.0015 * at_50, 0.0013 * at_100)
    inside = dict.fromkeys(truth, 0)
    for _ in range(2000):
        volts = 0.01 * random.standard_normal(5000) + hum(5000, lines, 50.05, random.uniform(0, 6.3))
        reading = read_noise(silence(volts, converter), 50.0)
        for name, true in truth.items():
            level = getattr(reading, name)
            assert not level.below_floor
            inside[name] += abs(level.volts - true) < 1.96 * level.u_v
    assert all(0.93 <= count / 2000 <= 0.97 for count in inside.values()), inside


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_hum_lines(mains_hz: float) -> None:
    """Lines put in come back with order, frequency and volts, mains 0.3 Hz off; the others are below their floor."""
    lines = {1: 0.004, 2: 0.02, 6: 0.003}
    noise = 0.002 * np.random.default_rng(2).standard_normal(40_000)
    reading = read_noise(silence(noise + hum(40_000, lines, mains_hz + 0.3), Converter(16, 1.0, 0.3)), mains_hz)
    assert [line.order for line in reading.hum] == list(range(1, 21))
    assert {line.order for line in reading.hum if not line.below_floor} == set(lines)
    for order, rms in lines.items():
        line = reading.hum[order - 1]
        assert line.frequency_hz == pytest.approx(order * (mains_hz + 0.3), abs=0.02 * order)
        assert line.rms_v == pytest.approx(rms, abs=3 * line.floor_v)
        assert line.floor_v == pytest.approx(0.002 * math.sqrt(2 / 40_000), rel=0.5)
    assert reading.hum_rms_v == pytest.approx(math.hypot(*lines.values()), rel=0.02)
    assert reading.rest.volts == pytest.approx(0.002 * math.sqrt(BAND_SHARE), rel=0.05)


def test_lines_of_plain_noise_are_not_called_hum() -> None:
    """Chance: 0.1 % of lines; 20 lines of 300 records: 6 expected, 18 or more in one of 10^4 tries (Poisson)."""
    random, converter = np.random.default_rng(3), Converter(16, 1.0, 0.3)
    called = 0
    for _ in range(300):
        reading = read_noise(silence(0.01 * random.standard_normal(12_000), converter), 50.0)
        called += sum(not line.below_floor for line in reading.hum)
    assert called < 18


def test_coloured_noise_against_a_periodogram() -> None:
    """Independent: scipy.signal.welch of noise through a first-order low-pass at 2 kHz, summed over the band."""
    white = np.random.default_rng(4).standard_normal(400_000)
    b, a = signal.butter(1, 2000.0, fs=RATE)
    volts = 0.01 * signal.lfilter(b, a, white)
    hz, density = signal.welch(volts, fs=RATE, nperseg=20_000)
    inside = (hz >= 20.0) & (hz <= 20e3)
    reading = read_noise(silence(volts, Converter(16, 1.0, 0.3)), 50.0)
    expected = math.sqrt(float(np.trapezoid(density[inside], hz[inside])))
    assert abs(reading.rest.volts - expected) < 3.0 * reading.rest.u_v
    turn = -2 * np.pi * np.array([20.6, 20.6, 107.7, 737.9, 12194.0, 12194.0])
    _, gain = signal.freqs_zpk(np.zeros(4), turn, 1.0, 2 * np.pi * np.append(hz[inside], 1000.0))
    weighted = math.sqrt(float(np.trapezoid(density[inside] * np.abs(gain[:-1] / gain[-1]) ** 2, hz[inside])))
    assert abs(reading.a_weighted.volts - weighted) < 3.0 * reading.a_weighted.u_v


def test_uncertainty_is_that_of_a_chi_square() -> None:
    """White noise of n lines has 2n freedoms and u = rms/sqrt(4n) (chi-square): 0.2 s, 3,996 lines."""
    volts = 0.01 * np.random.default_rng(5).standard_normal(10_000)
    rest = read_noise(silence(volts, Converter(16, 1.0, 0.3)), 50.0).rest
    assert rest.freedom == pytest.approx(2 * 0.2 * 19_980, rel=0.06)
    assert rest.u_v == pytest.approx(rest.volts / math.sqrt(4 * 0.2 * 19_980), rel=0.04)


def test_a_silent_input_is_below_the_floor() -> None:
    """Nothing but the even step error, dithered by itself: below the floor in at least 95 of 100 records, and what it
    may be at most lies below the step."""
    random = np.random.default_rng(6)
    hidden = 0
    for _ in range(100):
        volts = random.uniform(-0.5, 0.5, 10_000) * 0.001
        rest = read_noise(Record(volts, 1.0 / RATE, 0.0, 0.001, 1.0, False, 11), 50.0).rest
        hidden += rest.below_floor
        assert rest.most_v < 0.001
    assert hidden >= 95


def test_the_digitisers_own_noise_is_taken_away() -> None:
    """sqrt(5^2 - 4^2) = 3 (Pythagoras), by power: digitiser 4 mV, together 5 mV in the whole band; 2 u hold 3 mV."""
    random, converter = np.random.default_rng(7), Converter(16, 1.0, 0.3)
    own = silence(0.004 * random.standard_normal(50_000), converter)
    inside = 0
    for _ in range(60):
        seen = silence(0.005 * random.standard_normal(50_000), converter)
        rest = read_noise(seen, 50.0, own).rest
        inside += abs(rest.volts - 0.003 * math.sqrt(BAND_SHARE)) < 2 * rest.u_v
    assert inside >= 50
    again = read_noise(silence(0.004 * random.standard_normal(50_000), converter), 50.0, own)
    assert again.rest.below_floor


@pytest.mark.parametrize(
    ("noise_v", "ohm", "watts", "db"),
    [(2.8284271e-3, 8.0, 1.0, 60.0), (2.0e-3, 4.0, 1.0, 60.0), (2.8284271e-3, 8.0, 100.0, 80.0)],
)
def test_signal_to_noise(noise_v: float, ohm: float, watts: float, db: float) -> None:
    """1 W is 2.8284 V in 8 ohm, 2.0000 V in 4 ohm; over a rated power 10 log10 W more (arithmetic)."""
    assert signal_to_noise_db(noise_v, ohm, watts) == pytest.approx(db, abs=1e-6)


def test_what_cannot_be_read_is_said() -> None:
    record = silence(np.zeros(3000), Converter(12, 1.0))
    with pytest.raises(ValueError, match="4 cycles"):
        read_noise(record, 50.0)
    with pytest.raises(ValueError, match="outside the band"):
        read_noise(record, 16.7)
    longer, coarser = silence(np.zeros(20_000), Converter(12, 1.0)), silence(np.zeros(20_000), Converter(8, 1.0))
    with pytest.raises(ValueError, match="another range"):
        read_noise(longer, 50.0, coarser)
    with pytest.raises(ValueError, match="nothing"):
        signal_to_noise_db(0.0, 8.0)
