"""Two tones through a known curve against the closed forms of its products."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import fft

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.two_tones import (
    Ratio,
    Tones,
    difference_tones,
    fit_tones,
    pair_sums,
    sideband_rms,
)
from tests.sequencer.analysis_waves import Converter, Real

A2, A3 = 0.01, 0.005


def curve(x: Real) -> Real:
    """y = x + 0.01 x^2 + 0.005 x^3: all products by trigonometry (closed form)."""
    return x + A2 * x**2 + A3 * x**3


def two(low: tuple[float, float], high: tuple[float, float], t: Real, phases: tuple[float, float] = (0.3, 1.1)) -> Real:
    """(Hz, peak V) of each."""
    return low[1] * np.sin(2 * np.pi * low[0] * t + phases[0]) + high[1] * np.sin(2 * np.pi * high[0] * t + phases[1])


@pytest.mark.parametrize("ppm", [0.0, 50.0, -80.0])
def test_sidebands_in_closed_form(ppm: float) -> None:
    """0.8 V at 60 Hz and 0.2 V at 7 kHz: carrier 0.200990 V, rms of sidebands 1.175368 %; d2 1.592119, d3 0.477636,
    total 1.662221 % (closed form: a2 A1 A2 and 0.75 a3 A1^2 A2 over the carrier). Incoherent record, clocks apart."""
    t = 0.017 + np.arange(20_371) / 200e3
    tones = fit_tones(curve(two((60.0, 0.8), (7000.0, 0.2), t * (1 + 1e-6 * ppm))), t, 60.0, 7000.0)
    assert tones.clock == pytest.approx(1e-6 * ppm, abs=1e-12)
    assert tones.peak_v((0, 1)) == pytest.approx(0.2 + A3 * (1.5 * 0.64 * 0.2 + 0.75 * 0.008), abs=1e-10)
    assert tones.peak_v((0, 1)) == pytest.approx(0.200990, abs=1e-9)
    assert 100 * sideband_rms(tones).raw == pytest.approx(1.175368, abs=6e-7)
    pairs = pair_sums(tones)
    found = [100 * pairs.d2.raw, 100 * pairs.d3.raw, 100 * pairs.total.raw]
    assert found == pytest.approx([1.592119, 0.477636, 1.662221], abs=6e-7)
    assert tones.offset_v == pytest.approx(A2 * (0.64 + 0.04) / 2, abs=1e-9)
    assert tones.residual_rms_v < 1e-9


def test_difference_tones_in_closed_form() -> None:
    """0.5 V each at 19 and 20 kHz: tone 0.50140625 V, 1 kHz 0.0025 V, 18 and 21 kHz 0.00046875 V; d2 0.249299 % of
    the sum of tones, d3 0.093487 % (closed form)."""
    t = np.arange(20_371) / 200e3
    tones = fit_tones(curve(two((19e3, 0.5), (20e3, 0.5), t)), t, 19e3, 20e3)
    peaks = [tones.peak_v(order) for order in ((1, 0), (0, 1), (-1, 1), (2, -1), (-1, 2))]
    assert peaks == pytest.approx([0.50140625, 0.50140625, 0.0025, 0.00046875, 0.00046875], abs=1e-10)
    found = difference_tones(tones)
    assert [100 * found.d2.raw, 100 * found.d3.raw] == pytest.approx([0.249299, 0.093487], abs=6e-7)
    # The same line over one tone, and rms over rms: what the name of the denominator is worth.
    assert 100 * peaks[2] / peaks[0] == pytest.approx(0.498598, abs=6e-7)
    assert 100 * peaks[2] / math.hypot(peaks[0], peaks[1]) == pytest.approx(0.352562, abs=6e-7)


def test_one_tone_through_the_like_curve() -> None:
    """1 V through x + 0.01 x^2 + 0.004 x^3: h2 0.498504, h3 0.099701, THD(F) 0.508377 % (closed form)."""
    t = np.arange(5003) / 200e3
    x = np.sin(2 * np.pi * 1000.0 * t + 0.2)
    fit = fit_harmonics(x + 0.01 * x**2 + 0.004 * x**3, t, 1000.0, 20)
    ratios = 100 * np.abs(fit.phasors[1:3]) / fit.amplitude_v
    assert [*ratios, 100 * fit.thd_f] == pytest.approx([0.498504, 0.099701, 0.508377], abs=6e-7)


def test_against_a_transform_of_whole_cycles() -> None:
    """Independent: scipy.fft of a whole number of cycles of both (1 s, 250 and 8000 Hz, 4:1), a harder curve."""
    t = np.arange(96_000) / 96e3
    volts = np.tanh(1.3 * two((250.0, 0.8), (8000.0, 0.2), t) + 0.1)
    lines = 2 * np.abs(fft.rfft(volts)) / t.size
    tones = fit_tones(volts, t, 250.0, 8000.0)
    first, second = lines[7750] + lines[8250], lines[7500] + lines[8500]
    pairs = pair_sums(tones)
    assert pairs.d2.raw == pytest.approx(first / lines[8000], rel=1e-9)
    assert pairs.d3.raw == pytest.approx(second / lines[8000], rel=1e-9)


def readings(volts: Real, t: Real, step_v: float) -> dict[str, Ratio]:
    slow = fit_tones(volts, t, 60.0, 7000.0, step_v)
    pairs = pair_sums(slow)
    return {"rms": sideband_rms(slow, 2), "d2": pairs.d2, "total": pairs.total}


def test_intervals_hold_the_truth() -> None:
    """Truth by the closed form; 12 bits, 10 steps of noise, 2,000 records of 0.06 s: 1.96 u hold it in 93 to 97 %."""
    random, converter = np.random.default_rng(41), Converter(12, 1.2, 10.0, seed=42)
    truth = {"rms": 0.01175368, "d2": 0.01592119, "total": 0.01662221}
    inside, t = dict.fromkeys(truth, 0), np.arange(3000) / 50e3
    for _ in range(2000):
        wave = two(
            (60.0, 0.8), (7000.0, 0.2), t * (1 + 3e-5 * random.standard_normal()), tuple(random.uniform(0, 6, 2))
        )
        for name, ratio in readings(converter(curve(wave)), t, converter.step_v).items():
            inside[name] += abs(ratio.value - truth[name]) < 1.96 * ratio.u
            assert ratio.raw > 3.0 * ratio.floor
    assert all(0.93 <= count / 2000 <= 0.97 for count in inside.values()), inside


def test_intervals_of_difference_tones() -> None:
    """As above at 19 and 20 kHz, 4 steps of noise, records of 0.01 s; clean tones show the floor within 6 %."""
    random, converter = np.random.default_rng(43), Converter(12, 1.2, 4.0, seed=44)
    truth, inside = {"d2": 0.00249299, "d3": 0.00093487}, {"d2": 0, "d3": 0}
    t = np.arange(2000) / 200e3
    squares: dict[str, list[float]] = {"d2": [], "d3": []}
    for _ in range(2000):
        wave = two((19e3, 0.5), (20e3, 0.5), t * (1 + 3e-5 * random.standard_normal()), tuple(random.uniform(0, 6, 2)))
        bent = difference_tones(fit_tones(converter(curve(wave)), t, 19e3, 20e3, converter.step_v))
        for name, true in truth.items():
            ratio = getattr(bent, name)
            inside[name] += abs(ratio.value - true) < 1.96 * ratio.u
        clean = difference_tones(fit_tones(converter(wave), t, 19e3, 20e3, converter.step_v))
        for name in truth:
            ratio = getattr(clean, name)
            squares[name].append((ratio.raw / ratio.floor) ** 2)
    assert all(0.93 <= count / 2000 <= 0.97 for count in inside.values()), inside
    assert [math.sqrt(np.mean(values)) for values in squares.values()] == pytest.approx([1.0, 1.0], abs=0.06)


@pytest.mark.parametrize("wrong", ["order", "short", "none", "clock"])
def test_what_cannot_be_fitted_is_said(wrong: str) -> None:
    """Tones the wrong way round, fewer than three cycles of the gap, no tone at all, a clock 0.2 % off."""
    t = np.arange(2000 if wrong == "short" else 20_000) / 200e3
    volts = two((60.0, 0.8), (7000.0 * (1.002 if wrong == "clock" else 1.0), 0.2), t)
    low, high = (7000.0, 60.0) if wrong == "order" else (60.0, 7000.0)
    if wrong == "none":
        volts = np.zeros(t.size)
    with pytest.raises(ValueError, match=r"order|short|come to rest"):
        fit_tones(volts, t, low, high)


def test_no_high_tone() -> None:
    """A ratio to nothing is no distortion: below an infinite floor."""
    silent = Tones(60.0, 7000.0, {(0, 1): 0j, (1, 0): 1 + 0j}, 0.0, 0.0, 0.0, 100, 0.0)
    assert sideband_rms(silent, 0).below_floor
