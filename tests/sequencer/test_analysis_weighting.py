"""A-weighting, noise bandwidths and notches against the printed table and independent computations."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from sequencer.analysis.weighting import (
    a_bandwidth_hz,
    a_gain,
    a_of_pink_noise,
    a_poles_hz,
    band_rms,
    notch_bandwidth_hz,
    notch_gain,
    notch_noise_loss_db,
)

# IEC 61672-1:2013, table of A-weighting by exact frequencies 1000 x 10^(n/10), n = -20..13 (a public copy of it).
A_TABLE_DB = [
    *(-70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4, -10.9, -8.6, -6.6),
    *(-4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1, -1.1, -2.5, -4.3, -6.6, -9.3),
]


def a_db(hz: float) -> float:
    return 20.0 * math.log10(float(a_gain(np.array([hz]))[0]))


@pytest.mark.parametrize(("n", "db"), list(zip(range(-20, 14), A_TABLE_DB, strict=True)))
def test_the_table(n: int, db: float) -> None:
    """All 34 printed values, to their one decimal."""
    assert round(a_db(1000.0 * 10.0 ** (n / 10.0)), 1) == pytest.approx(db, abs=1e-9)


@pytest.mark.parametrize(("hz", "db"), [(12.5, -63.58), (16.0, -56.42), (12_500.0, -4.25)])
def test_nominal_frequencies_differ_from_the_table(hz: float, db: float) -> None:
    """The closed form at nominal frequencies, worked elsewhere to two digits."""
    assert a_db(hz) == pytest.approx(db, abs=6e-3)


def test_poles_and_landmarks() -> None:
    """IEC 61672-1, Annex E: 20.6, 107.7, 737.9, 12194 Hz printed, the digits beyond worked from its constants; the
    maximum of 1.27070 dB at 2511.8 Hz and the zero at 6091.4 Hz likewise (closed form, worked elsewhere)."""
    assert a_poles_hz() == pytest.approx((20.598997, 107.65265, 737.86223, 12194.217), rel=1e-7)
    hz = np.linspace(2400.0, 2600.0, 200_001)
    gain = a_gain(hz)
    assert hz[int(gain.argmax())] == pytest.approx(2511.8, abs=0.1)
    assert 20.0 * math.log10(float(gain.max())) == pytest.approx(1.27070, abs=6e-6)
    assert a_db(6091.4) == pytest.approx(0.0, abs=2e-5)


def test_the_gain_against_a_filter_of_its_poles() -> None:
    """Independent: scipy.signal.freqs_zpk of four zeros at dc and six poles, the rounded poles of the standard:
    0.05 % of 107.7 Hz and of 20.6 Hz are 0.005 dB at 10 Hz."""
    turn = -2.0 * np.pi * np.array([20.6, 20.6, 107.7, 737.9, 12194.0, 12194.0])
    hz = np.geomspace(10.0, 40e3, 200)
    _, response = signal.freqs_zpk(np.zeros(4), turn, 1.0, 2.0 * np.pi * np.append(hz, 1000.0))
    assert np.abs(20.0 * np.log10(np.abs(response[:-1] / response[-1]) / a_gain(hz))).max() < 5e-3


@pytest.mark.parametrize(("band", "db"), [((20.0, 20e3), -2.0483), ((22.4, 22.4e3), -2.4590)])
def test_white_noise(band: tuple[float, float], db: float) -> None:
    """Closed form integrated elsewhere."""
    assert 10.0 * math.log10(a_bandwidth_hz(band) / (band[1] - band[0])) == pytest.approx(db, abs=6e-5)


def test_bandwidths_and_pink_noise() -> None:
    """Closed form integrated elsewhere: 12467.18 Hz in 20 Hz to 20 kHz, 13462.15 Hz in all; pink -2.8586 dB."""
    assert a_bandwidth_hz() == pytest.approx(12467.18, abs=6e-3)
    assert a_bandwidth_hz((1e-3, 1e7)) == pytest.approx(13462.15, abs=6e-2)
    assert 20.0 * math.log10(a_of_pink_noise()) == pytest.approx(-2.8586, abs=6e-5)


@pytest.mark.parametrize(
    ("quality", "noise_db", "second_db", "third_db"),
    [(1.2, 0.294, 1.168, 0.405), (2.0, 0.174, 0.458, 0.150), (3.0, 0.115, 0.209, 0.067), (5.0, 0.069, 0.077, 0.024)],
)
def test_a_notch(quality: float, noise_db: float, second_db: float, third_db: float) -> None:
    """Second-order notch at 1 kHz in 20 kHz, closed form worked elsewhere; and its response by scipy.signal.freqs."""
    assert notch_noise_loss_db(1000.0, quality, 20e3) == pytest.approx(noise_db, abs=6e-4)
    assert -20.0 * math.log10(notch_gain(2.0, quality)) == pytest.approx(second_db, abs=6e-4)
    assert -20.0 * math.log10(notch_gain(3.0, quality)) == pytest.approx(third_db, abs=6e-4)
    n = np.geomspace(0.1, 10.0, 50)
    _, response = signal.freqs([1.0, 0.0, 1.0], [1.0, 1.0 / quality, 1.0], n)
    assert [notch_gain(float(x), quality) for x in n] == pytest.approx(np.abs(response).tolist(), rel=1e-9)


def test_noise_taken_by_the_notch() -> None:
    """Integral of 1 - |H|^2 over all frequencies is (pi/2) f0/Q: trapezoid over a dense grid (independent)."""
    hz = np.geomspace(1e-2, 1e9, 400_001)
    lost = 1.0 - np.abs(signal.freqs([1.0, 0.0, 1.0], [1.0, 0.5, 1.0], hz / 1000.0)[1]) ** 2
    assert notch_bandwidth_hz(1000.0, 2.0) == pytest.approx(float(np.trapezoid(lost, hz)), rel=1e-4)


def test_weighted_noise_of_a_record_against_a_filter() -> None:
    """Independent: the analogue filter made digital (scipy.signal.bilinear_zpk) at 400 kHz, and the mean square of
    what comes out: white noise below 20 kHz, 2 s; the filter bends by 0.01 dB there."""
    rate = 400e3
    noise = np.random.default_rng(5).standard_normal(800_000)
    spectrum = np.fft.rfft(noise)
    hz = np.fft.rfftfreq(noise.size, 1.0 / rate)
    spectrum[(hz < 20.0) | (hz > 20e3)] = 0.0
    noise = np.fft.irfft(spectrum)
    poles = -2.0 * np.pi * np.array(a_poles_hz())[[0, 0, 1, 2, 3, 3]]
    zpk = signal.bilinear_zpk(np.zeros(4), poles, 1.0, rate)
    sections = signal.zpk2sos(*zpk)
    _, at_1k = signal.freqz_sos(sections, [1000.0], fs=rate)
    filtered = signal.sosfilt(sections, noise)[20_000:] / abs(at_1k[0])
    seen = band_rms(noise, 1.0 / rate, a_weighted=True)
    assert seen == pytest.approx(float(np.sqrt(np.mean(filtered**2))), rel=5e-3)
    assert band_rms(noise, 1.0 / rate) == pytest.approx(float(noise.std()), rel=1e-9)


def test_a_tone_in_and_beside_the_band() -> None:
    """1 V peak at 100 Hz: 0.7071 V (definition), -19.1 dB weighted (printed table); at 25 kHz nothing of it."""
    t = np.arange(100_000) / 100e3
    assert band_rms(np.sin(2 * np.pi * 100 * t), 1e-5) == pytest.approx(math.sqrt(0.5), rel=1e-9)
    weighted = band_rms(np.sin(2 * np.pi * 100 * t), 1e-5, a_weighted=True)
    assert 20 * math.log10(weighted / math.sqrt(0.5)) == pytest.approx(-19.1, abs=0.05)
    assert band_rms(np.sin(2 * np.pi * 25e3 * t), 1e-5) < 1e-9
