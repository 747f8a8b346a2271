"""Clipped sines in closed form against sampled ones, and the flatness of crests."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sequencer.analysis.clipping import crest_flatness, crest_shape, hard_clip_flatness
from sequencer.analysis.hard_clip import (
    fundamental,
    hard_clip_gain_loss_db,
    hard_clip_overdrive_db,
    hard_clip_thd,
    harmonic,
    mean_square,
    thd_ratio,
)
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.power import efficiency_pct, watts
from tests.sequencer.analysis_waves import Converter, Real, whole_cycles

# Clip ratio, overdrive dB, THD(F) %, THD(R) %, rms/clip volts, crest factor, P/P0, h3 %, h5 % of h1. Fourier
# series of the clipped sine, each row confirmed by a transform of 65,536 samples.
TABLE = [
    (0.99, 0.0873, 0.286177, 0.286176, 0.713396, 1.401746, 1.017868, 0.11809, -0.11433),
    (0.98, 0.1755, 0.657243, 0.657229, 0.719111, 1.390607, 1.034240, 0.32887, -0.30804),
    (0.95, 0.4455, 1.924014, 1.923658, 0.734544, 1.361388, 1.079111, 1.24407, -1.04999),
    (0.9, 0.9151, 4.219933, 4.216180, 0.756974, 1.321049, 1.146019, 3.28632, -2.28728),
    (0.8, 1.9382, 8.978576, 8.942603, 0.795067, 1.257755, 1.264264, 8.18592, -3.47083),
    (0.7, 3.0980, 13.758794, 13.630384, 0.827848, 1.207951, 1.370666, 13.32756, -2.45227),
    (0.6, 4.4370, 18.525188, 18.215266, 0.857264, 1.166502, 1.469802, 18.22873, 0.43749),
    (0.5, 6.0206, 23.293814, 22.686458, 0.884310, 1.130825, 1.564009, 22.63263, 4.52653),
    (0.3, 10.4576, 32.959230, 31.302825, 0.933539, 1.071192, 1.742991, 29.38305, 13.39867),
    (0.1, 20.0, 43.039702, 39.533550, 0.978528, 1.021944, 1.915032, 32.88948, 19.20746),
]


@pytest.mark.parametrize(("r", "over", "f", "rr", "rms", "crest", "power", "h3", "h5"), TABLE)
def test_closed_forms(
    r: float, over: float, f: float, rr: float, rms: float, crest: float, power: float, h3: float, h5: float
) -> None:
    """The table above, every column."""
    one = np.array([r])
    b1, m, thd = float(fundamental(one)[0]), float(mean_square(one)[0]), float(thd_ratio(one)[0])
    assert hard_clip_overdrive_db(thd) == pytest.approx(over, abs=6e-5)
    assert hard_clip_thd(-20 * math.log10(r)) == pytest.approx(f / 100, abs=6e-9)
    assert math.sqrt(1 - b1**2 / (2 * m)) == pytest.approx(rr / 100, abs=6e-9)
    assert math.sqrt(m) / r == pytest.approx(rms, abs=6e-7)
    assert r / math.sqrt(m) == pytest.approx(crest, abs=6e-7)
    assert 2 * m / r**2 == pytest.approx(power, abs=6e-7)
    assert float(harmonic(one, 3)[0]) / b1 == pytest.approx(h3 / 100, abs=6e-8)
    assert float(harmonic(one, 5)[0]) / b1 == pytest.approx(h5 / 100, abs=6e-8)


@pytest.mark.parametrize(("r", "f", "rms"), [(row[0], row[2], row[4]) for row in TABLE])
def test_sampled_waves(r: float, f: float, rms: float) -> None:
    """The joint fit of one sampled cycle to the 999th harmonic and its true rms, against the same table."""
    volts = whole_cycles(lambda a: np.clip(np.sin(a), -r, r), 1 << 14)
    fit = fit_harmonics(volts, np.arange(1 << 14) / (1 << 14), 1.0, 999)
    assert fit.thd_f == pytest.approx(f / 100, abs=2e-6)
    total = f / 100
    assert fit.thd_r == pytest.approx(total / math.sqrt(1 + total**2), abs=2e-6)
    assert math.sqrt(float(np.mean(volts**2))) / r == pytest.approx(rms, abs=1e-6)


@pytest.mark.parametrize(
    ("thd", "harmonics", "r", "power"),
    [
        (0.001, None, 0.995786273, 1.0078203),
        (0.005, None, 0.984096343, 1.0276540),
        (0.01, None, 0.971486940, 1.0475059),
        (0.01, 19, 0.971360054, 1.0476998),
        (0.01, 20, 0.971360054, 1.0476998),
        (0.03, None, 0.926224273, 1.1118536),
        (0.1, None, 0.778651164, 1.2877619),
        (0.1, 19, 0.778573066, 1.2878470),
    ],
)
def test_level_at_a_limit(thd: float, harmonics: int | None, r: float, power: float) -> None:
    """Clip ratio and power at a distortion limit, roots of the closed forms found to nine digits."""
    found = 10 ** (-hard_clip_overdrive_db(thd, harmonics) / 20)
    assert found == pytest.approx(r, abs=2e-9)
    assert 2 * float(mean_square(np.array([found]))[0]) / found**2 == pytest.approx(power, abs=2e-7)


@pytest.mark.parametrize(
    ("r", "thd_r", "over_db", "power_db", "fundamental_power", "crest", "efficiency_pct_"),
    [
        (0.995786273, None, 0.03668, 0.03383, 1.0078193, 1.408716, None),
        (0.984096343, None, 0.13925, 0.11847, 1.0276283, 1.395056, None),
        (0.971486940, None, 0.25126, 0.20156, 1.0474011, 1.381773, 80.2901),
        (0.971485729, 0.01, 0.25127, 0.20157, 1.0474030, 1.381772, None),
        (0.926224273, None, 0.66568, 0.46048, 1.1108538, 1.341193, None),
        (0.778651164, None, 2.17314, 1.09836, 1.2750118, 1.246227, 87.4367),
        (0.777598143, 0.1, 2.18490, 1.10222, 1.2760195, 1.245673, None),
    ],
)
def test_what_a_wave_at_a_limit_gives(
    r: float,
    thd_r: float | None,
    over_db: float,
    power_db: float,
    fundamental_power: float,
    crest: float,
    efficiency_pct_: float | None,
) -> None:
    """Closed forms at 0.1, 0.5, 1, 3 and 10 % of THD(F), 1 and 10 % of THD(R); P1/P0 is of the fundamental alone. An
    ideal class B stage (textbook) draws the mean of |v| over its load from a rail of r: out over drawn of one cycle."""
    one = np.array([r])
    m, b1 = float(mean_square(one)[0]), float(fundamental(one)[0])
    thd = float(thd_ratio(one)[0])
    if thd_r is not None:
        assert thd / math.sqrt(1.0 + thd**2) == pytest.approx(thd_r, abs=1e-8)
    assert hard_clip_overdrive_db(thd) == pytest.approx(over_db, abs=6e-6)
    assert 10.0 * math.log10(2.0 * m / r**2) == pytest.approx(power_db, abs=6e-6)
    assert (b1 / r) ** 2 == pytest.approx(fundamental_power, abs=6e-8)
    assert r / math.sqrt(m) == pytest.approx(crest, abs=6e-7)
    if efficiency_pct_ is not None:
        wave = whole_cycles(lambda a: np.clip(np.sin(a), -r, r), 1 << 16)
        out_w = watts(math.sqrt(float(np.mean(wave**2))), 8.0)
        assert efficiency_pct(out_w, r, float(np.mean(np.abs(wave))) / 8.0) == pytest.approx(efficiency_pct_, abs=6e-5)


@pytest.mark.parametrize("harmonics", [None, 20, 5])
def test_inverse_is_within_its_stated_error(harmonics: int | None) -> None:
    """Definition of an inverse: overdrive -> THD -> overdrive, 1e-6 dB up to 10 dB."""
    for db in np.geomspace(2e-4, 10.0, 400):
        assert hard_clip_overdrive_db(hard_clip_thd(float(db), harmonics), harmonics) == pytest.approx(db, abs=1e-6)
    assert hard_clip_overdrive_db(0.0, harmonics) == 0.0
    assert hard_clip_thd(-1.0, harmonics) == 0.0
    with pytest.raises(ValueError, match="clipped sine"):
        hard_clip_overdrive_db(0.49, harmonics)


def test_gain_loss() -> None:
    """P1/P0 = 1.2750118 at 10 % and 1.0474011 at 1 % (closed form): the loss is the overdrive less that, in dB."""
    assert hard_clip_gain_loss_db(0.1) == pytest.approx(2.17314 - 10 * math.log10(1.2750118), abs=1e-5)
    assert hard_clip_gain_loss_db(0.01) == pytest.approx(0.25126 - 10 * math.log10(1.0474011), abs=1e-5)


@pytest.mark.parametrize(
    ("thd_pct", "kappa"), [(0.05, 0.916), (0.1, 0.813), (0.3, 0.415), (0.5, 0.126), (0.75, 0.0), (3.0, 0.0)]
)
def test_flatness_of_a_hard_clip(thd_pct: float, kappa: float) -> None:
    """Closed form, worked elsewhere to three digits; and the samples of 20 cycles within 0.003 of it."""
    r = 10 ** (-hard_clip_overdrive_db(thd_pct / 100) / 20)
    assert hard_clip_flatness(r) == pytest.approx(kappa, abs=6e-4)
    t = np.arange(20_137) / 1e6
    volts: Real = np.clip(np.sin(2 * np.pi * 1000.37 * t + 0.3), -r, r)  # no whole number of samples a cycle
    seen = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.37, 20))
    assert [seen.positive, seen.negative] == pytest.approx([kappa, kappa], abs=4e-3)


@pytest.mark.parametrize(
    ("name", "positive", "negative"),
    [
        ("sine", 1.0, 1.0),
        ("soft third, 1 %", 0.912, 0.912),
        ("soft third, 3 %", 0.737, 0.737),
        ("second, 1 %", 1.04, 0.96),
    ],
)
def test_flatness_of_round_crests(name: str, positive: float, negative: float) -> None:
    """cos(n x) is n^2 times as curved at the crest as cos x (in the limit of a narrow look; worked for 12
    degrees)."""
    t = np.arange(20_000) / 1e6
    turn = 2 * np.pi * 1000 * t
    extra = {"sine": 0.0, "soft third, 1 %": -0.01, "soft third, 3 %": -0.03, "second, 1 %": 0.01}[name]
    order = 2 if name.startswith("second") else 3
    volts: Real = np.cos(turn) + extra * np.cos(order * turn) + 0.02
    seen = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20))
    assert [seen.positive, seen.negative] == pytest.approx([positive, negative], abs=3e-3)


def test_one_flat_crest() -> None:
    """A clip of one polarity by definition leaves the other round."""
    t = np.arange(8000) / 1e6
    volts: Real = np.clip(np.sin(2 * np.pi * 1000 * t), -0.95, 2.0)
    seen = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20))
    assert crest_shape(seen.negative, seen.negative_u, 20.0) == "flat"
    assert crest_shape(seen.positive, seen.positive_u, 20.0) == "round"


@pytest.mark.parametrize(("samples", "u"), [(100, 0.26), (250, 0.15), (1000, 0.08)])
def test_scatter_of_flatness(samples: int, u: float) -> None:
    """8 bits, 0.3 steps of noise, one cycle: 6.7 (s/A)/(x0^2 sqrt n), measured elsewhere; here against the spread
    seen.
    """
    random, converter = np.random.default_rng(6), Converter(8, 1.0, 0.3, seed=7)
    seen, told = [], []
    for _ in range(500):
        t = np.arange(samples) / samples / 1000
        volts = converter(0.8 * np.sin(2 * np.pi * 1000 * t + random.uniform(0, 6.3)))
        one = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20))
        seen.append(one.positive)
        told.append(one.positive_u)
    assert np.mean(told) == pytest.approx(u, rel=0.12)
    assert 0.85 < np.std(seen) / np.mean(told) < 1.15


def test_flat_and_round_are_told_apart() -> None:
    """12 bits: a 1 % clip is flat, a sine and 1 % of soft third are round, in all of 100 cycles of 1,000 samples."""
    random, converter = np.random.default_rng(16), Converter(12, 1.0, 0.3, seed=17)
    t = np.arange(1000) / 1e6
    for _ in range(100):
        turn = 2 * np.pi * 1000 * t + random.uniform(0, 6.3)
        waves = {
            "flat": np.clip(np.sin(turn), -0.9715, 0.9715),
            "round": np.cos(turn) - 0.01 * np.cos(3 * turn),
        }
        for shape, wave in waves.items():
            volts = converter(random.uniform(0.5, 0.95) * wave)
            seen = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20), converter.step_v)
            assert crest_shape(seen.positive, seen.positive_u, 20.0) == shape
            assert crest_shape(seen.negative, seen.negative_u, 20.0) == shape


def test_no_evidence_is_said() -> None:
    """Scatter around one half, and a band that ends at the 9th harmonic (where a 1 % clip looks half round): can't
    tell.
    """
    assert crest_shape(0.45, 0.05, 20.0) == "can't tell"
    assert crest_shape(0.0, 0.05, 9.0) == "can't tell"
    t = np.arange(60) / 60
    with pytest.raises(ValueError, match="crest"):
        crest_flatness(np.sin(2 * np.pi * t), t, fit_harmonics(np.sin(2 * np.pi * t), t, 1.0, 5))
