"""The sine fit against the exact Cramer-Rao bound, and the joint fit's bias: many seeded records."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from scipy import optimize, stats

from sequencer.analysis.harmonics import fit_even, fit_harmonics
from sequencer.analysis.sine import fit_four, fit_frequencies, fit_three
from tests.sequencer.analysis_waves import Converter, Real

PHASES = np.linspace(-3.0, 3.0, 16)
OFFSET = 0.1
BLOCK = 64


def bounds(samples: int, theta: float, phase: float, sigma: float) -> Real:
    """Inverse Fisher information (Kay, 1993, 3.9, from memory) for A = 1 in white noise of: amplitude, phase at the
    middle, phase at the first sample, offset, frequency in rad a sample."""
    i = np.arange(samples)
    angle = theta * i + phase
    slopes = np.stack([np.cos(angle), -np.sin(angle), np.ones(samples), -i * np.sin(angle)], axis=1)
    k = np.linalg.inv(slopes.T @ slopes) * sigma**2
    middle = (samples - 1) / 2.0
    at_middle = k[1, 1] + 2.0 * middle * k[1, 3] + middle**2 * k[3, 3]
    return np.array([k[0, 0], at_middle, k[1, 1], k[2, 2], k[3, 3]])


def test_the_bound_against_printed_values() -> None:
    """N = 1000, A = 1, sigma 0.01, w = 2 pi 0.0513, phase 0.4: inverse Fisher matrix worked elsewhere."""
    amplitude, _, first, offset, omega = bounds(1000, 2 * math.pi * 0.0513, 0.4, 0.01)
    worked = (2.00431e-7, 7.95426e-7, 1.00006e-7, 2.38478e-12)
    assert (amplitude, first, offset, omega) == pytest.approx(worked, rel=1e-5)


def ratios(samples: int, cycles: float, db: float, trials: int) -> Real:
    """Mean squared error over the bound, shape (5,). The frequency by the batch that `fit_four` itself uses, the rest
    linear at that frequency, which is what it does next (`test_the_batch_is_the_fit` compares the two)."""
    random = np.random.default_rng([samples, round(10 * cycles), round(db)])
    theta, sigma = 2 * math.pi * cycles / samples, math.sqrt(0.5) * 10 ** (-db / 20)
    t, middle = np.arange(samples, dtype=np.float64), (samples - 1) / 2.0
    total = np.zeros(5)
    block = max(1, min(BLOCK * 1000 // samples, 320))
    clean = np.cos(theta * t + PHASES[:, None]) + OFFSET
    of_phase = [bounds(samples, theta, float(phase), sigma) for phase in PHASES]
    for first in range(0, trials, block):
        which = np.arange(first, min(trials, first + block)) % PHASES.size
        phases = PHASES[which]
        volts = random.standard_normal((which.size, samples))
        volts *= sigma
        volts += clean[which]
        start = theta / (2 * math.pi) + 0.002 / samples * random.standard_normal(which.size)
        omegas = 2 * math.pi * fit_frequencies(volts, t, start)
        angle = omegas[:, None] * (t - middle)
        columns = np.stack([np.cos(angle), np.sin(angle), np.ones_like(angle)], axis=1)
        a, b, c = np.linalg.solve(columns @ columns.transpose(0, 2, 1), columns @ volts[:, :, None])[:, :, 0].T
        at_middle = np.arctan2(-b, a) - theta * middle - phases
        at_first = at_middle - (omegas - theta) * middle
        errors = np.stack([np.hypot(a, b) - 1.0, turned(at_middle), turned(at_first), c - OFFSET, omegas - theta])
        total += (errors**2 / np.array(of_phase)[which].T).sum(axis=1)
    return total / trials


def turned(angle: Real) -> Real:
    return np.angle(np.exp(1j * angle))


@pytest.mark.parametrize("db", [20.0, 40.0])
@pytest.mark.parametrize("cycles", [1.0, 1.5, 2.0, 5.0, 20.0])
@pytest.mark.parametrize("samples", [200, 1000])
def test_the_sine_fit_sits_on_the_bound(samples: int, cycles: float, db: float) -> None:
    """20,000 records: 0.96 to 1.04 leave 0.01 % to chance; no claim below one cycle."""
    ratio = ratios(samples, cycles, db, 20_000)
    assert np.all((ratio > 0.95) & (ratio < 1.05)), ratio


CYCLES, DECIBELS = (1.0, 1.5, 2.0, 5.0, 20.0), (20.0, 40.0)


def test_the_joint_fit_of_long_records_sits_on_the_bound() -> None:
    """400 records of 100,000 samples in each of ten cells, by the fit that all readings rest on, with no harmonics:
    0.75 to 1.30 leave 0.01 % to chance. The cells share each record's noise, turned about within it: what chance leaves
    to one of them does not depend on the others."""
    samples, trials = 100_000, 400
    random, middle = np.random.default_rng(100), (samples - 1) / 2.0
    cells = [(cycles, db) for cycles in CYCLES for db in DECIBELS]
    clean, of_phase = {}, {}
    for cycles in CYCLES:
        theta = 2 * math.pi * cycles / samples
        clean[cycles] = np.exp(1j * theta * np.arange(samples))
        for db in DECIBELS:
            sigma = math.sqrt(0.5) * 10 ** (-db / 20)
            of_phase[cycles, db] = [bounds(samples, theta, float(phase), sigma) for phase in PHASES]
    total = {cell: np.zeros(5) for cell in cells}
    for trial in range(trials):
        noise, phase = random.standard_normal(samples), float(PHASES[trial % PHASES.size])
        for k, (cycles, db) in enumerate(cells):
            theta = 2 * math.pi * cycles / samples
            turn = cmath.exp(1j * phase)
            volts = turn.real * clean[cycles].real - turn.imag * clean[cycles].imag + OFFSET
            volts += math.sqrt(0.5) * 10 ** (-db / 20) * np.roll(noise, 9_973 * k)
            start_hz = (cycles + 0.002 * random.standard_normal()) / samples
            fit = fit_even(volts, -middle, 1.0, start_hz, 1, solve_frequency=True)
            omega = 2 * math.pi * fit.frequency_hz
            at_middle = cmath.phase(complex(fit.phasors[0]) * cmath.exp(-1j * (phase + theta * middle)))
            at_first = at_middle - (omega - theta) * middle
            errors = np.array([fit.amplitude_v - 1.0, at_middle, at_first, fit.offset_v - OFFSET, omega - theta])
            total[cycles, db] += errors**2 / of_phase[cycles, db][trial % PHASES.size]
    ratios_of = {cell: sums / trials for cell, sums in total.items()}
    assert all(np.all((ratio > 0.75) & (ratio < 1.30)) for ratio in ratios_of.values()), ratios_of


@pytest.mark.parametrize("cycles", [1.0, 5.0])
def test_the_batch_is_the_fit(cycles: float) -> None:
    """The public four-parameter fit, record by record, has the batch's frequency and, by orthogonal least squares of
    scipy on all four columns there, nothing left to correct."""
    random, t = np.random.default_rng(9), np.arange(200.0)
    volts = np.cos(2 * np.pi * cycles / 200 * t + PHASES[:, None]) + 0.05 * random.standard_normal((16, 200))
    batch = fit_frequencies(volts, t, np.full(16, cycles / 200))
    for one, hz in zip(volts, batch, strict=True):
        fit = fit_four(one, t, cycles / 200)
        assert fit.frequency_hz == pytest.approx(float(hz), rel=1e-10)
        assert fit == fit_three(one, t, fit.frequency_hz)

        def left(x: Real, y: Real = one) -> Real:
            return x[0] * np.cos(2 * np.pi * x[3] * t + x[1]) + x[2] - y

        start = [fit.amplitude_v, fit.phase_rad, fit.offset_v, fit.frequency_hz]
        best = optimize.least_squares(left, start, x_scale=[1, 1, 1, 1e-4], xtol=1e-14, ftol=1e-14, gtol=1e-14)
        assert best.x.tolist() == pytest.approx(start, rel=1e-5, abs=1e-7)


@pytest.mark.parametrize("cycles", [1.0, 1.37, 3.3, 20.4])
def test_the_joint_fit_has_no_bias(cycles: float) -> None:
    """Definition: content within its harmonics, incoherent, with an offset, comes out: amplitude 1e-9, THD 1e-7
    points."""
    random = np.random.default_rng(3)
    for _ in range(20):
        sizes = 0.02 * random.uniform(size=19)
        t = np.arange(2003) / 2003 * cycles / 1000.0
        y = 0.4 + np.cos(2 * np.pi * 1000.0 * t + random.uniform(0, 6.3))
        for n, size in enumerate(sizes):
            y += size * np.cos(2 * np.pi * 1000.0 * (n + 2) * t + random.uniform(0, 6.3))
        start = 1000.0 * (1 + 1e-3 / cycles * random.uniform(-1, 1))
        fit = fit_harmonics(y, t, start, 20, solve_frequency=True)
        assert abs(fit.amplitude_v - 1.0) < 1e-9
        assert abs(100 * fit.thd_f - 100 * math.sqrt(float(sizes @ sizes))) < 1e-7


@pytest.mark.parametrize(
    ("bits", "samples", "trials"), [(8, 20_000, 200), (10, 40_000, 100), (12, 100_000, 60), (14, 400_000, 40)]
)
def test_quantising_alone(bits: int, samples: int, trials: int) -> None:
    """Sum of the converter's harmonics (2 J_k(2 pi m A)/(pi m)), fill 0.8, no noise, A in steps: amplitude off by
    less than 0.4 A^-1.5, spurious THD below 0.22 sqrt(K-1) A^-1.5 in 95 % of records (a count
    that 95 % would miss once in 1,000 times refutes it). Both are limits of many samples: with N of them the even
    step error still scatters by sqrt(1/(6 N))/A, so finer converters need more."""
    random, converter = np.random.default_rng(bits), Converter(bits, 1.0, 0.0)
    t = np.arange(samples) / samples * 20.37 / 1000.0
    below = 0
    for _ in range(trials):
        amplitude = 0.8 * random.uniform(0.97, 1.03)
        steps = amplitude * 2 ** (bits - 1)
        fit = fit_harmonics(converter(amplitude * np.sin(6283.185307 * t + random.uniform(0, 6.3))), t, 1000.0, 20)
        assert abs(fit.amplitude_v / amplitude - 1.0) < 0.4 * steps**-1.5
        below += fit.thd_f < 0.22 * math.sqrt(19) * steps**-1.5
    assert below >= stats.binom.ppf(0.001, trials, 0.95)
