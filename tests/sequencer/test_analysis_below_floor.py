"""What is said of a clean record and of one with little distortion, over bits, noise, samples and cycles."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from sequencer.analysis.harmonics import fit_each
from sequencer.analysis.noise import (
    BELOW_FLOOR_MEANS,
    below_floor,
    called,
    less_noise,
    less_than,
    thd_floor,
    thd_uncertainty,
)
from tests.sequencer.analysis_waves import Converter, Real

HZ, K, FILL = 1000.0, 20, 0.8
AT_ONCE = 4_000_000  # samples held
GRID = [  # bits, noise in steps, samples, cycles, records
    (8, 0.2, 200, 1.0, 5000),
    (8, 0.3, 1000, 1.0, 5000),
    (8, 0.5, 2000, 20.0, 5000),
    (12, 0.2, 1000, 3.3, 5000),
    (12, 0.5, 200, 1.0, 5000),
    (8, 0.2, 20_000, 20.0, 400),
    (12, 0.3, 20_000, 1.0, 400),
    (8, 0.3, 100_000, 20.4, 120),
    (12, 0.5, 100_000, 100.3, 120),
]


class Bench:
    """Records of a tone at 0.8 of full scale with second and third harmonics of any phases, through a converter."""

    def __init__(self, bits: int, noise_steps: float, samples: int, cycles: float) -> None:
        self.converter = Converter(bits, 1.0, noise_steps, seed=samples + bits)
        self.random = np.random.default_rng([bits, samples])
        self.samples, self.dt = samples, cycles / HZ / samples
        turn = 2 * np.pi * HZ * self.dt * np.arange(samples)
        self._waves = np.vstack([np.cos(n * turn) for n in (1, 2, 3)] + [np.sin(n * turn) for n in (1, 2, 3)])
        self.typical = thd_floor(
            math.sqrt(noise_steps**2 + 1 / 12), FILL * 2 ** (bits - 1), samples, K, 1.0
        )  # even step error: 1/12 of a step squared

    def readings(self, ratios: Real) -> list[tuple[float, float, float]]:
        """(raw THD, floor, u) of one record for each of these ratios."""
        found = []
        for few in np.array_split(ratios, math.ceil(ratios.size * self.samples / AT_ONCE)):
            # One part in a hundred of amplitude: over so many codes the converter's own harmonics change places.
            filled = FILL * self.random.uniform(0.99, 1.01, few.size)
            sizes = filled[:, None] * np.stack([np.ones(few.size), 0.6 * few, 0.8 * few], axis=1)
            phasors = sizes * np.exp(1j * self.random.uniform(0.0, 2 * np.pi, sizes.shape))
            clean = np.hstack([phasors.real, -phasors.imag]) @ self._waves
            volts = self.converter(clean.reshape(-1)).reshape(clean.shape)
            for fit in fit_each(list(volts), [0.0] * few.size, self.dt, HZ, K):
                noise = (fit.residual_rms_v, fit.amplitude_v, fit.samples)
                floor = thd_floor(*noise, K, self.converter.step_v)
                near, cycles = floor / fit.thd_f, fit.samples * self.dt * HZ
                u = thd_uncertainty(*noise, self.converter.step_v, cycles=cycles, near=near)
                found.append((fit.thd_f, floor, u))
        return found


@pytest.mark.parametrize(("bits", "noise_steps", "samples", "cycles", "records"), GRID)
def test_said_of_little_distortion(bits: int, noise_steps: float, samples: int, cycles: float, records: int) -> None:
    """Truth: what was put in; limits in percent of many records, refuted by a count that they would give once in
    10,000 times (binomial, scipy). Clean: called distortion in 0.1 % at most. Three floors: seen in 99 % at least.
    "Less than 2.5 floors" (19 harmonics), said of records drawn evenly from 0 to 3 floors: true in 95 % at least."""
    bench = Bench(bits, noise_steps, samples, cycles)
    false = sum(not below_floor(raw, floor) for raw, floor, _ in bench.readings(np.zeros(records)))
    assert false <= stats.binom.ppf(0.9999, records, 0.001)
    some = max(100, records // 5)
    seen = sum(not below_floor(raw, floor) for raw, floor, _ in bench.readings(np.full(some, 3.0 * bench.typical)))
    assert seen >= stats.binom.ppf(0.0001, some, 0.99)
    ratios = 3.0 * bench.typical * bench.random.uniform(size=2 * some)
    told = bench.readings(ratios)
    said = [ratio for ratio, (raw, floor, _) in zip(ratios, told, strict=True) if below_floor(raw, floor)]
    assert len(said) > some / 2
    held = sum(ratio < BELOW_FLOOR_MEANS * bench.typical for ratio in said)
    assert held >= stats.binom.ppf(0.0001, len(said), 0.95)


@pytest.mark.parametrize(
    ("bits", "noise_steps", "samples", "cycles", "records"),
    [(8, 0.0, 1000, 1.0, 3000), (8, 0.1, 2000, 20.37, 2000), (12, 0.1, 1000, 3.3, 3000), (8, 0.0, 20_000, 20.37, 200)],
)
def test_without_noise_to_speak_of(bits: int, noise_steps: float, samples: int, cycles: float, records: int) -> None:
    """The floor's own term for the converter: of clean records no more than 1 % are called distortion (measured
    elsewhere: none, but for 12 bits and 10,000 samples of one cycle, where steps fold onto low harmonics)."""
    bench = Bench(bits, noise_steps, samples, cycles)
    false = sum(not below_floor(raw, floor) for raw, floor, _ in bench.readings(np.zeros(records)))
    assert false <= stats.binom.ppf(0.9999, records, 0.01)


@pytest.mark.parametrize("harmonics", [2, 3, 4, 20])
def test_few_harmonics_are_not_called_distortion_more_often(harmonics: int) -> None:
    """Noise alone in K - 1 harmonics: the square of the ratio over the floor is chi-square of 2 (K - 1) degrees over
    its mean (closed form), and lies above in 0.1 % of records at most, rounding aside."""
    degrees = 2 * (harmonics - 1)
    ratios = np.sqrt(stats.chi2.ppf([0.99, 0.9991], degrees) / degrees)
    assert below_floor(ratios[0], 1.0, harmonics)
    assert harmonics > 3 or not below_floor(ratios[1], 1.0, harmonics)


@pytest.mark.parametrize(("harmonics", "told"), [(2, 4.743), (3, 3.559), (4, 3.094), (5, 2.911), (20, 2.5)])
def test_less_than_holds_of_few_harmonics_too(harmonics: int, told: float) -> None:
    """What holds so many floors reads below them in 0.1 % of records at most (non-central chi-square by scipy.stats;
    with 2.5 floors in a single harmonic it would be half of them)."""
    assert less_than(1.0, harmonics) == pytest.approx(told, abs=0.001)
    degrees, raw = 2 * (harmonics - 1), called(harmonics - 1).above
    assert below_floor(raw, 1.0, harmonics)
    assert stats.ncx2.cdf(degrees * raw**2, degrees, degrees * told**2) <= 0.00101


@pytest.mark.parametrize("floors", [3.0, 10.0])
def test_taking_the_noise_away_leaves_no_bias(floors: float) -> None:
    """8 bits, half a step of noise, 20,000 records: the mean is off by less than 0.001 points (chance: 0.0002)."""
    bench = Bench(8, 0.5, 1000, 1.0)
    ratio = floors * bench.typical
    told = bench.readings(np.full(20_000, ratio))
    mean = float(np.mean([less_noise(raw, floor) for raw, floor, _ in told]))
    assert 100.0 * abs(mean - ratio) < 0.001


@pytest.mark.parametrize(
    ("bits", "noise_steps", "samples", "cycles", "floors"),
    [
        (8, 0.3, 2000, 20.37, 3.0),
        (8, 0.5, 500, 1.0, 4.0),
        (12, 0.3, 2000, 5.3, 5.0),
        (10, 1.0, 1000, 3.0, 10.0),
        (8, 0.3, 2000, 20.0, 3.0),
        (8, 0.3, 2000, 20.0, 6.0),
        (12, 0.3, 2000, 20.0004, 3.0),
    ],
)
def test_intervals_from_three_floors_on(
    bits: int, noise_steps: float, samples: int, cycles: float, floors: float
) -> None:
    """Truth: what was put in. 1.96 u about the ratio with the noise's power taken away hold it in 93 to 97 % of 2,000
    records (95 % leaves 0.01 % to chance). Of 20 cycles with a whole number of samples in each, 100, the converter's
    own harmonics fold onto the tone's."""
    bench = Bench(bits, noise_steps, samples, cycles)
    ratio = floors * bench.typical
    told = bench.readings(np.full(2000, ratio))
    inside = sum(abs(less_noise(raw, floor) - ratio) < 1.96 * u for raw, floor, u in told)
    assert 0.93 <= inside / 2000 <= 0.97
