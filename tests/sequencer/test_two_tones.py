"""Two tones through y = x + a2 x^2 + a3 x^3: every product has a closed form (trigonometric identities), which the
analysis must find in samples of a quantiser with a clock of its own."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.analysis.two_tones import Product, difference, modulation

A2, A3 = 0.01, 0.005
GAIN = 10.0  # V at the unit for each unit of the test device
RATE_HZ = 500_000.0


def record(
    first: tuple[float, float], second: tuple[float, float], cycles: int, clock_ppm: float = 0.0, bits: int = 16
) -> Record:
    """first, second: (peak, Hz). Sampled by a clock that is off, quantised, with 0.4 steps of noise."""
    length_s = cycles / first[1]
    t = -0.001 + np.arange(round((length_s + 0.002) * RATE_HZ)) / RATE_HZ
    true_s = t * (1.0 + 1e-6 * clock_ppm)
    x = first[0] * np.sin(2 * np.pi * first[1] * true_s) + second[0] * np.sin(2 * np.pi * second[1] * true_s)
    x = np.where((true_s >= 0) & (true_s < length_s), x, 0.0)
    volts = GAIN * (x + A2 * x**2 + A3 * x**3)
    step = 2.0 * 13.0 / 2**bits
    codes = np.round(volts / step + np.random.default_rng(7).normal(0.0, 0.4, t.size))
    return Record(codes * step, 1.0 / RATE_HZ, float(t[0]), step, 13.0, False, bits)


def named(products: tuple[Product, ...]) -> dict[str, Product]:
    return {one.name: one for one in products}


@pytest.mark.parametrize("clock_ppm", [0.0, 80.0, -120.0])
def test_modulation_of_four_to_one(clock_ppm: float) -> None:
    """0.8 at 60 Hz and 0.2 at 7 kHz. Carrier c = A2 + a3 (1.5 A1^2 A2 + 0.75 A2^3) = 0.200990; sidebands a2 A1 A2 / c =
    0.796060 % and 0.75 a3 A1^2 A2 / c = 0.238818 % each: rms of all 1.175368 % (SMPTE RP 120), arithmetic sums of the
    pairs 1.592119 % and 0.477636 % (IEC 60268-3, from memory)."""
    products, fit = modulation(record((0.8, 60.0), (0.2, 7000.0), 15, clock_ppm), 60.0, 7000.0, 15)
    found = named(products)
    assert fit.peak_v((0, 1)) == pytest.approx(GAIN * 0.200990, rel=1e-4)
    assert fit.clock == pytest.approx(1e-6 * clock_ppm, abs=2e-7)
    expected = {"modulation distortion": 1.175368, "d2 of modulation": 1.592119, "d3 of modulation": 0.477636}
    for name, pct in expected.items():
        assert abs(100.0 * found[name].of.value - pct) <= max(400.0 * found[name].of.u, 0.0005), name
        assert not found[name].of.below_floor
    assert {one.denominator for one in products} == {"the second tone"}


@pytest.mark.parametrize("clock_ppm", [0.0, 80.0])
def test_difference_of_two_like_tones(clock_ppm: float) -> None:
    """0.5 at 19 and at 20 kHz: 1 kHz is a2 A^2 = 0.0025, 18 and 21 kHz are 0.75 a3 A^3 = 0.00046875 each, a tone is A +
    2.25 a3 A^3 = 0.50140625: 0.249299 % and 0.093487 % over the sum of both tones, as the code names it."""
    products, fit = difference(record((0.5, 19000.0), (0.5, 20000.0), 760, clock_ppm), 19000.0, 20000.0, 760)
    found = named(products)
    assert fit.peak_v((1, 0)) == pytest.approx(GAIN * 0.50140625, rel=1e-4)
    for name, pct in {"d2 of difference tones": 0.249299, "d3 of difference tones": 0.093487}.items():
        assert abs(100.0 * found[name].of.value - pct) <= max(400.0 * found[name].of.u, 0.0005), name
    assert {one.denominator for one in products} == {"the sum of both tones"}


def test_a_straight_path_shows_nothing_but_its_floor() -> None:
    """Without curvature every product is noise: at most 2 floors in all but one of a thousand records (normal)."""
    t = np.arange(-500, 126_000) / RATE_HZ
    x = np.where((t >= 0) & (t < 0.25), 8.0 * np.sin(2 * np.pi * 60 * t) + 2.0 * np.sin(2 * np.pi * 7000 * t), 0.0)
    noise = np.random.default_rng(3).normal(0.0, 0.01, t.size)
    flat = Record(x + noise, 1.0 / RATE_HZ, float(t[0]), 0.001, 13.0, False, 14)
    products, fit = modulation(flat, 60.0, 7000.0, 15)
    assert all(one.of.below_floor for one in products)
    assert fit.residual_rms_v == pytest.approx(0.01, rel=0.02)  # what was put in
    sides = next(one for one in products if one.name == "modulation distortion")
    assert sides.of.floor == pytest.approx(math.sqrt(4.0 * 10 * 0.01**2 / (fit.samples * 2.0**2)), rel=0.03)


def test_a_burst_too_short_for_both_tones_is_refused() -> None:
    """60 Hz and 7 kHz repeat together every 50 ms: the later half of 5 cycles of 60 Hz (83 ms) holds no such period."""
    with pytest.raises(ValueError, match="common period"):
        modulation(record((0.8, 60.0), (0.2, 7000.0), 5), 60.0, 7000.0, 5)
