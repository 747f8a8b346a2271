"""Two tones at once and what a curved path makes of them: products at sums and differences of their frequencies.

All lines are fitted together by least squares; both tones come out of one generator, so that one factor brings their
frequencies to the digitiser's clock.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import fit_harmonics
from sequencer.analysis.noise import below_floor, less_noise, thd_floor, thd_uncertainty
from sequencer.analysis.records import Record

CLOCK_AWAY = 300e-6  # two crystal clocks differ by less (common practice, no source)
CLOCK_ROUNDS = 2  # the slower tone is taken away by what the first round found
SIDEBANDS = 5  # on each side of the second tone, of modulation
LOW_HARMONICS = 5  # of the first tone, fitted with the rest so that they are not taken for noise


@dataclass(frozen=True)
class Product:
    """Lines against a denominator. ratio: the noise's power taken away; raw: with it; floor: what clean tones would
    show; u: standard uncertainty. denominator: in words."""

    name: str
    lines_hz: tuple[float, ...]
    denominator: str
    ratio: float
    raw: float
    floor: float
    u: float

    @property
    def below_floor(self) -> bool:
        return below_floor(self.raw, self.floor)


@dataclass(frozen=True)
class LinesFit:
    """amplitudes_v: peak volts by nominal Hz. clock: factor from nominal to the digitiser's frequencies."""

    amplitudes_v: Mapping[float, float]
    clock: float
    residual_rms_v: float
    samples: int


def fit_lines(volts: Real, times_s: Real, tones_hz: tuple[float, float], lines_hz: Sequence[float]) -> LinesFit:
    """Offset and all lines (the tones among them); shape (n,), V and s. ValueError for too few samples."""
    if volts.size < 4 * len(lines_hz) + 4:
        raise ValueError(f"{volts.size} samples are too few for {len(lines_hz)} lines")
    centred = times_s - times_s.mean()
    clock = 1.0
    for _ in range(CLOCK_ROUNDS):
        factors, _ = _fitted(volts, centred, [clock * hz for hz in tones_hz])
        first_v = _wave(centred, clock * tones_hz[0], factors[1], factors[2])
        clock = _clock(volts - first_v, centred, tones_hz[1])
    factors, squares = _fitted(volts, centred, [clock * hz for hz in lines_hz])
    sizes = np.hypot(factors[1::2], factors[2::2])
    unknowns = 2 * len(lines_hz) + 2
    return LinesFit(
        dict(zip(lines_hz, sizes.tolist(), strict=True)),
        clock,
        math.sqrt(squares / (volts.size - unknowns)),
        volts.size,
    )


def _clock(volts: Real, times_s: Real, frequency_hz: float) -> float:
    """Factor to the digitiser's clock, by the faster tone alone; 1 where nothing is there to fit."""
    try:
        factor = fit_harmonics(volts, times_s, frequency_hz, 1, solve_frequency=True).frequency_hz / frequency_hz
    except ValueError:
        return 1.0
    return factor if abs(factor - 1.0) <= CLOCK_AWAY else 1.0


def _fitted(volts: Real, times_s: Real, lines_hz: Sequence[float]) -> tuple[Real, float]:
    """(offset, then cosine and sine of each line, V; sum of squares left)."""
    columns = np.empty((volts.size, 1 + 2 * len(lines_hz)))
    columns[:, 0] = 1.0
    for n, hz in enumerate(lines_hz):
        turns = 2.0 * math.pi * hz * times_s
        columns[:, 1 + 2 * n], columns[:, 2 + 2 * n] = np.cos(turns), np.sin(turns)
    factors = np.asarray(np.linalg.solve(columns.T @ columns, columns.T @ volts), dtype=np.float64)
    left = volts - columns @ factors
    return factors, float(left @ left)


def _wave(times_s: Real, frequency_hz: float, cosine_v: float, sine_v: float) -> Real:
    turns = 2.0 * math.pi * frequency_hz * times_s
    return np.asarray(cosine_v * np.cos(turns) + sine_v * np.sin(turns), dtype=np.float64)


def later_part(record: Record, first_hz: float, second_hz: float, cycles: int) -> tuple[Real, Real]:
    """(V, s) of the burst's later half, as many periods of both tones together as it holds: every product then stands
    on a line of its own. By the trigger: a unit's delay of less than a quarter of the burst does no harm."""
    length_s, common_hz = cycles / first_hz, math.gcd(round(first_hz), round(second_hz))
    periods = math.floor(0.49 * length_s * common_hz)
    if periods < 1:
        raise ValueError("the later half of the burst holds no common period of both tones")
    times_s = record.times_s
    within = (times_s >= length_s / 2.0) & (times_s < length_s / 2.0 + periods / common_hz)
    return record.volts[within], times_s[within]


def modulation(record: Record, first_hz: float, second_hz: float, cycles: int) -> tuple[tuple[Product, ...], LinesFit]:
    """A low and a high tone: sidebands f2 +- n f1.

    rms of all of them over U(f2) (SMPTE RP 120); d2 = [U(f2 - f1) + U(f2 + f1)] / U(f2), d3 likewise at 2 f1 (IEC
    60268-3, from memory).
    """
    sides = {n: (second_hz - n * first_hz, second_hz + n * first_hz) for n in range(1, SIDEBANDS + 1)}
    all_of_them = tuple(hz for pair in sides.values() for hz in pair)
    lines = [*(k * first_hz for k in range(1, LOW_HARMONICS + 1)), second_hz, *all_of_them]
    fit = fit_lines(*later_part(record, first_hz, second_hz, cycles), (first_hz, second_hz), lines)
    carrier_v, words = fit.amplitudes_v[second_hz], "the second tone"
    return (
        _rms("modulation distortion", all_of_them, carrier_v, words, fit, record),
        _sum("d2 of modulation", sides[1], carrier_v, words, fit, record),
        _sum("d3 of modulation", sides[2], carrier_v, words, fit, record),
    ), fit


def difference(record: Record, first_hz: float, second_hz: float, cycles: int) -> tuple[tuple[Product, ...], LinesFit]:
    """Two like tones near each other: d2 = U(f2 - f1) / [U(f1) + U(f2)], d3 = [U(2 f1 - f2) + U(2 f2 - f1)] / the same
    (IEC 60268-3, from memory)."""
    second_order, third_order = (second_hz - first_hz,), (2.0 * first_hz - second_hz, 2.0 * second_hz - first_hz)
    lines = [first_hz, second_hz, *second_order, *third_order, 2.0 * second_order[0]]
    fit = fit_lines(*later_part(record, first_hz, second_hz, cycles), (first_hz, second_hz), lines)
    both_v, words = fit.amplitudes_v[first_hz] + fit.amplitudes_v[second_hz], "the sum of both tones"
    return (
        _sum("d2 of difference tones", second_order, both_v, words, fit, record),
        _sum("d3 of difference tones", third_order, both_v, words, fit, record),
    ), fit


def _rms(
    name: str, lines_hz: tuple[float, ...], denominator_v: float, words: str, fit: LinesFit, record: Record
) -> Product:
    raw = math.sqrt(sum(fit.amplitudes_v[hz] ** 2 for hz in lines_hz)) / denominator_v
    floor, u = _noise(len(lines_hz), denominator_v, fit, record)
    return Product(name, lines_hz, words, less_noise(raw, floor), raw, floor, u)


def _sum(
    name: str, lines_hz: tuple[float, ...], denominator_v: float, words: str, fit: LinesFit, record: Record
) -> Product:
    """Of the lines' own volts: noise adds to each as a square, and u to the sum line by line."""
    floor_one, u_one = _noise(1, denominator_v, fit, record)
    each = [fit.amplitudes_v[hz] / denominator_v for hz in lines_hz]
    count = len(lines_hz)
    return Product(
        name, lines_hz, words, sum(less_noise(one, floor_one) for one in each), sum(each),
        floor_one * count, u_one * math.sqrt(count),
    )  # fmt: skip


def _noise(lines: int, denominator_v: float, fit: LinesFit, record: Record) -> tuple[float, float]:
    """(floor, u) of so many lines together, as of so many harmonics."""
    floor = thd_floor(fit.residual_rms_v, denominator_v, fit.samples, lines + 1, record.step_v)
    return floor, thd_uncertainty(fit.residual_rms_v, denominator_v, fit.samples, record.step_v)
