"""Two tones through a known curve against the closed forms of its products."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft, stats

from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.noise import called
from sequencer.analysis.two_tones import (
    PAIR_CALLED,
    PAIRS_CALLED,
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


def drawn(ratios: dict[str, float], count: int, seed: int) -> dict[str, list[Ratio]]:
    """Ratios of lines with noise of normal components of the size that the floor states (the fit's own, as it is
    linear), on top of a distortion of so many floors; 19 and 20 kHz, and the sidebands of a high tone of 1 V."""
    random, s, n = np.random.default_rng(seed), 0.001, 2000
    orders = [(1, 0), (0, 1), (-1, 1), (2, -1), (-1, 2), (1, 1), (-2, 1), (2, 1)]
    size = math.sqrt(4.0 * s**2 / n)
    clean = Tones(19e3, 20e3, {o: complex(o in ((1, 0), (0, 1))) for o in orders}, 0.0, 0.0, s, n, 0.0)
    floor = {"one": 1.0, "pair": math.sqrt(2.0 + math.pi / 2.0), "pairs": math.sqrt(4.0 + math.pi), "four": 2.0}
    share = {"one": [(-1, 1)], "pair": [(2, -1), (-1, 2)], "pairs": [(-1, 1), (1, 1)], "four": [(-1, 1), (1, 1)]}
    found: dict[str, list[Ratio]] = {name: [] for name in ratios}
    for _ in range(count):
        noise = dict(zip(orders[2:], size * (random.standard_normal((6, 2)) @ [1, 1j]) / math.sqrt(2.0), strict=True))
        for name, floors in ratios.items():
            there = {o: floors * floor[name] * size / len(share[name]) for o in share[name]}
            if name == "four":  # as powers, not as volts
                there = {o: volts * math.sqrt(2.0) for o, volts in there.items()}
            tones = replace(clean, phasors=clean.phasors | {o: v + there.get(o, 0.0) for o, v in noise.items()})
            found[name].append(
                {
                    "one": lambda t=tones: difference_tones(t).d2,
                    "pair": lambda t=tones: difference_tones(t).d3,
                    "pairs": lambda t=tones: pair_sums(t).total,
                    "four": lambda t=tones: sideband_rms(t, 2),
                }[name]()
            )
    return found


def test_noise_alone_is_seldom_called_a_product() -> None:
    """Promised: 0.1 % of records; of 20,000 one line, two added and the sums' root keep to it, but for a chance of one
    in 10,000 (binomial, scipy)."""
    most = stats.binom.ppf(0.9999, 20_000, 0.001)
    assert most / 20_000 <= 0.002
    for name, ratios in drawn(dict.fromkeys(("one", "pair", "pairs", "four"), 0.0), 20_000, 45).items():
        assert sum(not one.below_floor for one in ratios) <= most, name


def test_less_than_is_seldom_said_of_more() -> None:
    """What holds as much as a reading below the floor leaves possible is told so in 0.1 % of records at most, and one
    line that holds 2.5 floors only is below its floor in half of them (non-central chi-square, scipy: 51.7 %)."""
    most = stats.binom.ppf(0.9999, 8000, 0.001)
    floors = {"one": called(1).less_than, "pair": PAIR_CALLED.less_than, "pairs": PAIRS_CALLED.less_than,
              "four": called(4).less_than}  # fmt: skip
    for name, ratios in drawn(floors, 8000, 46).items():
        assert sum(one.below_floor for one in ratios) <= most, name
        assert ratios[0].less_than == pytest.approx(floors[name] * ratios[0].floor)
    half = sum(one.below_floor for one in drawn({"one": 2.5}, 4000, 47)["one"]) / 4000
    assert half == pytest.approx(stats.ncx2.cdf(2.0 * called(1).above ** 2, 2, 2.0 * 2.5**2), abs=0.03)


def test_one_product_of_clean_tones_in_noise_by_the_fit() -> None:
    """The same from samples: 16 steps of noise at 12 bits, 1,500 records of 5 ms; d2 is a single line."""
    random, converter = np.random.default_rng(48), Converter(12, 1.2, 16.0, seed=49)
    t, false = np.arange(600) / 120e3, {"d2": 0, "d3": 0}
    for _ in range(1500):
        wave = two((19e3, 0.5), (20e3, 0.5), t, tuple(random.uniform(0, 6, 2)))
        found = difference_tones(fit_tones(converter(wave), t, 19e3, 20e3, converter.step_v))
        false["d2"] += not found.d2.below_floor
        false["d3"] += not found.d3.below_floor
    assert max(false.values()) <= stats.binom.ppf(0.9999, 1500, 0.001), false


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
