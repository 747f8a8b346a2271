"""Noise of silent records against closed forms: A-weighting by its table and its poles, white noise, lines of hum."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from scipy import integrate, signal

from sequencer.analysis.silence import Silence, mean_of, silence_of, thirds_hz
from sequencer.analysis.weighting import a_gain

DT = 5e-6  # 200 kS/s
SIZE = 40_000  # 0.2 s
# IEC 61672-1:2013, table 3 (from memory): exponents of ten of the exact frequency, dB.
TABLE_DB = {1.3: -50.5, 1.5: -39.4, 1.8: -26.2, 2.0: -19.1, 2.4: -8.6, 2.7: -3.2, 3.0: 0.0, 3.3: 1.2, 3.6: 1.0,
            3.9: -1.1, 4.0: -2.5, 4.2: -6.6, 4.3: -9.3}  # fmt: skip
POLES_HZ = (20.6, 20.6, 107.7, 737.9, 12194.0, 12194.0)  # of the standard's network


def by_poles(hz: float) -> float:
    """The same by its network: four zeros at nought, six poles; a ratio of powers, 1 at 1 kHz."""
    poles = -2.0 * np.pi * np.array(POLES_HZ)
    _, gains = signal.freqs_zpk(np.zeros(4), poles, 1.0, 2.0 * np.pi * np.array([hz, 1000.0]))
    return float(abs(gains[0] / gains[1]) ** 2)


def white(rms_v: float, seed: int, size: int = SIZE) -> np.ndarray:
    return np.random.default_rng([41, seed]).normal(0.0, rms_v, size)


@cache
def share(weight: bool = False) -> float:
    """Of the power of white noise up to half the sample rate: what lies in the band, or behind the weighting."""
    if not weight:
        return (20_000.0 - 20.0) * 2.0 * DT
    return float(integrate.quad(by_poles, 20.0, 20_000.0, limit=200)[0]) * 2.0 * DT


def times(size: int = SIZE) -> np.ndarray:
    return DT * np.arange(size)


@pytest.mark.parametrize(("tenths", "db"), list(TABLE_DB.items()))
def test_a_weighting_by_its_table(tenths: float, db: float) -> None:
    """The table is rounded to a tenth of a decibel."""
    assert 20.0 * math.log10(a_gain(np.array([10.0**tenths]))[0]) == pytest.approx(db, abs=0.06)


def test_a_weighting_by_its_poles() -> None:
    """Poles of three and four figures: 0.02 dB."""
    hz = np.geomspace(10.0, 40_000.0, 60)
    against = [10.0 * math.log10(a**2 / by_poles(float(f))) for a, f in zip(a_gain(hz), hz, strict=True)]
    assert max(map(abs, against)) < 0.02


def test_white_noise_has_its_share_of_the_band() -> None:
    """Parseval: density times width. 0.4 % of a power by chance (3 sigma of 4 x 8,000 freedoms is 2.4 %)."""
    seen = mean_of([silence_of(white(0.001, n), DT, 50.0) for n in range(4)])
    assert seen.rest.v2 == pytest.approx(1e-6 * share(), rel=0.024)
    assert seen.weighted.v2 == pytest.approx(1e-6 * share(weight=True), rel=0.03)


def test_the_scatter_is_as_stated() -> None:
    """200 records: each power lies within two of its own standard uncertainty in 95 % of them, 182 to 198 (binomial,
    99.9 %), in the band and A-weighted alike."""
    band = weighted = 0
    for n in range(200):
        seen = silence_of(white(0.001, 100 + n, 20_000), 2.0 * DT, 50.0)
        band += abs(seen.rest.v2 - 2e-6 * share()) < 1.96 * seen.rest.u_v2
        weighted += abs(seen.weighted.v2 - 2e-6 * share(weight=True)) < 1.96 * seen.weighted.u_v2
    assert 181 <= band <= 199
    assert 181 <= weighted <= 199


def hum(mains_hz: float, *peaks_v: float) -> np.ndarray:
    return np.sum([v * np.sin(2 * np.pi * n * mains_hz * times() + n) for n, v in enumerate(peaks_v, start=1)], axis=0)


@pytest.mark.parametrize(("mains_hz", "true_hz"), [(50.0, 50.0), (50.0, 50.31), (60.0, 59.4), (50.0, 49.2)])
def test_lines_of_hum_are_told_apart_from_noise(mains_hz: float, true_hz: float) -> None:
    """5 mV of hum (peak) on 0.1 mV of noise: a line is its peak over the root of two, wherever the mains lies, and
    what remains is the noise. A line at another frequency than it is taken for would leave 0.1 mV and more behind."""
    seen = silence_of(hum(true_hz, 0.005, 0.0, 0.002) + white(0.0001, 9), DT, mains_hz)
    assert seen.mains_hz == pytest.approx(true_hz, abs=0.01)
    lines = [seen.hum_lines_v2[n - 1] ** 0.5 for n in (1, 2, 3)]
    assert lines == pytest.approx([0.005 / 2**0.5, 0.0, 0.002 / 2**0.5], abs=4e-6)
    assert seen.rest.v2 == pytest.approx(1e-8 * share(), rel=0.06)
    assert seen.hum_v2 == pytest.approx((0.005**2 + 0.002**2) / 2.0, rel=0.01)


def test_hum_is_weighted_by_its_own_lines() -> None:
    seen = silence_of(hum(50.0, 0.005, 0.003), DT, 50.0)
    expected = 0.5 * (0.005**2 * by_poles(50.0) + 0.003**2 * by_poles(100.0))
    assert seen.hum_a_v2 == pytest.approx(expected, rel=0.01)


def test_an_offset_is_no_noise() -> None:
    seen: Silence = silence_of(np.full(SIZE, 0.03), DT, 50.0)
    assert seen.rest.v2 < 1e-20


def test_thirds_of_an_octave_add_up() -> None:
    """A line lies in its own band, and all bands hold what there is: 17.8 Hz to 22.4 kHz (IEC 61260-1)."""
    seen = silence_of(hum(50.0, 0.005) + white(0.001, 3), DT, 50.0)
    middles = thirds_hz()
    assert [round(middles[n], 1) for n in (0, 4, 17, 30)] == [20.0, 50.1, 1000.0, 19952.6]
    whole = 1e-6 * (10.0**4.35 - 10.0**1.25) * 2.0 * DT
    assert sum(seen.thirds_v2) == pytest.approx(whole + 0.005**2 / 2.0, rel=0.03)
    assert seen.thirds_v2[4] == pytest.approx(0.005**2 / 2.0, rel=0.05)


def test_too_slow_a_record_is_refused() -> None:
    with pytest.raises(ValueError, match="40000 samples/s"):
        silence_of(white(0.001, 1, 4000), 1.0 / 30_000.0, 50.0)
