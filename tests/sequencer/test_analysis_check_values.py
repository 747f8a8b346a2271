"""Closed forms and worked examples that no other file of tests holds, each through the function that uses it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import signal

from sequencer.analysis.burst import last_cycle
from sequencer.analysis.clipping import crest_flatness, hard_clip_flatness
from sequencer.analysis.cycles import mean_and_rms
from sequencer.analysis.hard_clip import hard_clip_overdrive_db
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.noise import power_noise, thd_n_floor, thd_n_of
from sequencer.analysis.power import watts
from sequencer.analysis.second_order import second_order
from sequencer.analysis.tone import read_tone
from sequencer.analysis.uncertainty import Source, combined_u, coverage_factor, difference, power_uncertainty
from sequencer.measurements.output_impedance import source_ohm
from tests.sequencer.analysis_waves import Converter, Real, Wave, burst, clipped


@pytest.mark.parametrize(("bits", "db"), [(8, 49.9257), (12, 74.0081), (16, 98.0905), (24, 146.2553)])
def test_steps_of_a_converter(bits: int, db: float) -> None:
    """Signal over an even step error at full scale: 6.0206 bits + 1.7609 dB (closed form), all of the band."""
    record = Converter(bits, 1.0, 0.0).record(burst(1000.0, 3), 1000.0, 3)
    floor = thd_n_floor(record, last_cycle(record, 0.0, 1000.0, 3), (0.0, 1e9))
    assert -20.0 * math.log10(floor) == pytest.approx(db, abs=0.02 if bits == 8 else 2e-3)  # its own steps on the crest


def test_a_sine_in_white_noise() -> None:
    """1 V peak, 1 uV per root Hz, 20 kHz: 141.4214 uV, 0.02 %, 73.9794 dB (closed form); 20 Hz to 20 kHz in 0.5 s are
    2 x 9,990 freedoms, 0.5 % of deviation: four of them."""
    random, rate = np.random.default_rng(24), 100e3
    t = np.arange(50_000) / rate
    volts = np.sin(2 * np.pi * 1000.0 * t) + 1e-6 * math.sqrt(rate / 2) * random.standard_normal(t.size)
    ratio = thd_n_of(volts, t, 1000.0, 20, (20.0, 20e3)).ratio
    assert ratio == pytest.approx(141.4214e-6 / math.sqrt(0.5), rel=0.02)
    assert -20.0 * math.log10(ratio) == pytest.approx(73.9794, abs=0.18)


@pytest.mark.parametrize(("cycles", "factor"), [(1.0, 1.0), (1.25, 1.0), (1.125, 0.929264), (10.125, 0.992140)])
def test_mean_square_over_part_of_a_cycle(cycles: float, factor: float) -> None:
    """From a zero crossing: 1 - sin(4 pi T)/(4 pi T) of A^2/2 (closed form). The mean is taken off, and is put back."""
    record = Converter(None, 1.0).record(burst(1000.0, 12), 1000.0, 12, per_cycle=4000.0)
    mean_v, rms_v = mean_and_rms(record, 0.0, cycles / 1000.0)
    assert 2.0 * (mean_v**2 + rms_v**2) == pytest.approx(factor, abs=2e-6)


@pytest.mark.parametrize(("loaded_v", "ohm", "factor"), [(9.95, 0.040201, 199.0), (9.99, 0.008008, 999.0)])
def test_damping(loaded_v: float, ohm: float, factor: float) -> None:
    """Rs = RL (V0/VL - 1), 8 ohm, 10 V without a load (closed form), here one of 1e12 ohm."""
    found = source_ohm(10.0 / loaded_v, 1e12, 8.0)
    assert found == pytest.approx(ohm, abs=6e-7)
    assert 8.0 / found == pytest.approx(factor, rel=1e-6)


def test_power_of_two_parts() -> None:
    """sqrt((2 x 0.1 %)^2 + (0.5 %)^2) = 0.5385 % (JCGM 100, 5.1.6: a product of powers)."""
    parts = (Source.voltage("range", "normal", 0.1), Source.resistance("load", "normal", 0.5))
    assert power_uncertainty(100.0, parts).combined_w == pytest.approx(0.5385, abs=5e-5)


@pytest.mark.parametrize(("clip_thd_factor", "expected_w"), [(1.0, 25.92), (1.0475059, 27.151), (1.2877619, 33.379)])
def test_most_that_a_bridge_can_give(clip_thd_factor: float, expected_w: float) -> None:
    """14.4 V without losses into 4 ohm: unclipped, at 1 and at 10 % THD (closed form of the clipped sine)."""
    assert watts(14.4 * math.sqrt(clip_thd_factor / 2.0), 4.0) == pytest.approx(expected_w, abs=6e-4)


@pytest.mark.parametrize(("x1", "u"), [(0.0, 67.268e-6), (0.010, 120.520e-6), (0.050, 504.505e-6)])
def test_squares_that_go_together(x1: float, u: float) -> None:
    """JCGM 101, 9.4, r = 0.9 (printed 67, 121, 505e-6): variance 4 x1^2 u^2 + 2 u^4 (2 + 2 r^2), closed form. Both
    inputs from two independent ones, X2 = r X1 + sqrt(1 - r^2) of the other."""
    r = 0.9

    def squares(z: Real) -> float:
        return float((x1 + z[0]) ** 2 + (r * z[0] + math.sqrt(1.0 - r * r) * z[1]) ** 2)

    found = second_order(squares, (0.0, 0.0), (0.005, 0.005))
    assert found.u == pytest.approx(u, rel=1e-5)
    assert x1**2 + found.shift == pytest.approx(x1**2 + 2 * 0.005**2, rel=1e-9)
    assert found.too_small is not None


@pytest.mark.parametrize("thd_pct", [0.05, 0.1, 0.3, 0.5, 1.0, 3.0])
@pytest.mark.parametrize("per_cycle", [1000.0, 1003.7])
def test_flatness_of_one_cycle(thd_pct: float, per_cycle: float) -> None:
    """A hard clip without noise, 1,000 samples of one cycle at any phase: within 0.03 of the closed form (partly flat
    crests scatter by 0.009 with the sampling, measured elsewhere)."""
    r = 10.0 ** (-hard_clip_overdrive_db(thd_pct / 100.0) / 20.0)
    t = np.arange(round(per_cycle)) / per_cycle / 1000.0
    for phase in np.linspace(0.0, 6.2, 25):
        volts = np.asarray(np.clip(np.sin(2 * np.pi * 1000.0 * t + phase), -r, r), dtype=np.float64)
        seen = crest_flatness(volts, t, fit_harmonics(volts, t, 1000.0, 20))
        assert [seen.positive, seen.negative] == pytest.approx([hard_clip_flatness(r)] * 2, abs=0.03)


def bent(curve: Wave) -> Wave:
    clean = burst(1000.0, 20)
    return lambda times: 0.9 * curve(clean(times))


SHAPES: dict[str, Wave] = {
    "clipped": clipped(burst(1000.0, 20), -0.97, 0.97),
    "one side": clipped(burst(1000.0, 20), -2.0, 0.95),
    "soft": bent(lambda x: np.tanh(0.6 * x) / math.tanh(0.6)),
    "uneven": bent(lambda x: x + 0.01 * x**2 - 0.005 * x**4),
    "crossover": bent(lambda x: np.sign(x) * np.maximum(np.abs(x) - 0.01, 0.0)),
}


def by_windows(volts: Real, dt: float, hz: float, harmonics: int) -> tuple[float, float]:
    """(THD, THD+N in 20 kHz) by scipy.signal.periodogram with a Blackman-Harris window, nine lines a tone; the noise
    under the tones is that of the lines between them (their median over ln 2, for squares of two normal values)."""
    f, power = signal.periodogram(volts, 1.0 / dt, "blackmanharris")
    near = np.abs(f[:, None] - hz * np.arange(1, harmonics + 1)) <= 4.5 * f[1]
    band = (f >= 20.0) & (f <= 20e3)
    noise = float(np.median(power[band & ~near.any(axis=1)])) / math.log(2.0)
    tones = np.array([power[one].sum() - noise * one.sum() for one in near.T])
    between = float(power[band & ~near.any(axis=1)].mean()) * band.sum()
    thd = math.sqrt(tones[1:].sum() / tones[0])
    return thd, math.sqrt((tones[1:].sum() + between) / tones[0])


@pytest.mark.parametrize("name", sorted(SHAPES))
def test_readings_against_a_windowed_spectrum(name: str) -> None:
    """Independent: the sum above over the burst's last ten cycles. It gathers 4.5 times the noise power, so 2.1 times u
    (window's noise bandwidth, handbook): both together, three deviations. 8 bits, half a step of noise."""
    seen = []
    for seed in range(6):
        converter = Converter(8, 1.1, 0.5, seed)
        record = converter.record(SHAPES[name], 1000.0, 20, per_cycle=1003.7, phase=seed / 6, clock_ppm=40.0)
        told = read_tone(record, 1000.0, 20, 20, (20.0, 20e3))
        last = record.times_s >= 10e-3 + 1e-5
        last &= record.times_s <= 20e-3 - 1e-5
        thd, thd_n = by_windows(record.volts[last], record.sample_interval_s, 1000.04, 20)
        assert told.thd is not None
        assert told.thd_u is not None
        seen.append([(told.thd - thd) / told.thd_u, (told.thd_n.ratio - thd_n) / told.thd_n.u])
        assert told.thd > 3.0 * (told.thd_floor or math.inf)
    apart = np.array(seen)
    assert np.abs(apart).max() < 3.0 * math.hypot(1.0, 2.1), apart
    assert np.abs(apart.mean(axis=0)).max() < 3.0 * math.hypot(1.0, 2.1) / math.sqrt(6), apart


def test_two_digitisers_behind_one_probe() -> None:
    """8 and 16 bits, each with a range of its own, on one load through one probe: load and probe cancel, and the stated
    interval of the difference of powers holds its true value, zero, for 93 to 97 % of 1,000 bursts (JCGM 100, 5.2: what
    is shared is correlated). Each power's own interval, load and probe in it, holds the true power as often."""
    random = np.random.default_rng(816)
    coarse, fine = Converter(8, 1.3, 0.5, seed=8), Converter(16, 1.3, 2.0, seed=16)
    shared = (Source.voltage("probe", "normal", 0.5), Source.resistance("load", "normal", 0.5))
    wave, inside = clipped(burst(1000.0, 1), -0.97, 0.97), {"coarse": 0, "fine": 0, "apart": 0}
    for trial in range(1000):
        probe, ohm = 1.0 + 0.005 * random.standard_normal(), 4.0 * (1.0 + 0.005 * random.standard_normal())
        budgets = []
        for name, converter, size in (("coarse", coarse, 0.8), ("fine", fine, 0.2)):
            gain = probe * (1.0 + size / 100.0 * random.uniform(-1.0, 1.0))
            record = converter.record(
                lambda times, gain=gain: gain * wave(times), 1000.0, 1, per_cycle=500.0, phase=trial / 1000
            )  # fmt: skip
            last = last_cycle(record, 0.0, 1000.0, 1)
            own = (
                Source.voltage(f"range {name}", "rectangular", size),
                Source.power("noise", "normal", 100 * power_noise(last.fit)),
            )
            budgets.append(power_uncertainty(watts(last.rms_ac_v, 4.0), (*shared, *own)))
        true_w = clipped_mean_square(0.97) / ohm
        for name, budget in zip(("coarse", "fine"), budgets, strict=True):
            inside[name] += abs(budget.power_w - true_w) <= budget.expanded_w
        parts = difference(budgets[0].parts, budgets[1].parts)
        apart_w = budgets[0].power_w - budgets[1].power_w
        inside["apart"] += abs(apart_w) <= coverage_factor(parts) * combined_u(parts)
    assert all(0.93 <= count / 1000 <= 0.97 for count in inside.values()), inside


def clipped_mean_square(r: float) -> float:
    """Of a sine of peak 1 clipped at r: (2/pi) [a/2 - sin(2a)/4 + r^2 (pi/2 - a)], a = arcsin r (closed form)."""
    a = math.asin(r)
    return 2.0 / math.pi * (a / 2.0 - math.sin(2.0 * a) / 4.0 + r * r * (math.pi / 2.0 - a))
