"""Two tones at once and what a curved path makes of them, by one joint least-squares fit.

Model: y(t) = offset + Re sum of phasor_i exp(j 2 pi (1 + e) f_i t), f_i = |m f1 + n f2|, e the one difference of
the two clocks, found by Gauss-Newton. No window and no whole number of cycles is needed, but about three cycles of
the narrowest gap between two lines.

Names and denominators (from memory and public summaries, no standard's text read): sidebands, rms over the high
tone (SMPTE RP120, 60 Hz and 7 kHz, 4:1); d2 and d3 by arithmetic sums of pairs over the high tone (DIN 45403, 250 Hz
and 8 kHz, 4:1); difference tones d2 and d3 over the sum of both tones (IEC 60268-3; 19 and 20 kHz, 1:1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.folded import ROW, Complex, Real, spacing_s
from sequencer.analysis.noise import Called, called, less_noise, step_share
from sequencer.analysis.records import Record

SIDEBANDS = 5  # on either side of the high tone, fitted and judged
FITTED_HARMONICS = 5
GAP_CYCLES = 3.0  # of the narrowest gap between two lines, in a record
ROUNDS = 12
SETTLED_RAD = 1e-8  # of the high tone's phase over the record
CLOCK_AWAY = 300e-6  # two crystal clocks differ by less (common practice, no source)
# Of a sum of two lines' volts and of the root of two such sums: 99.9 % of noise alone lies below the first, and 99.9 %
# of records with the second in them, however it is shared out, above the first (4 million draws of Rayleigh and Rice)
PAIR_CALLED, PAIRS_CALLED = Called(2.2, 3.8), Called(2.0, 3.1)
PRODUCT_STEPS = 0.0123  # mean square of one of a converter's own products, steps^2, times the crest in steps

Order = tuple[int, int]


@dataclass(frozen=True)
class Tones:
    """phasors: peak V of each order (m, n) at m f1 + n f2, at time zero of the times handed in; (1, 0) and (0, 1)
    are the tones. residual_rms_v: V over samples less unknowns; step_v: V per code (0: no converter)."""

    low_hz: float
    high_hz: float
    phasors: dict[Order, complex]
    offset_v: float
    clock: float
    residual_rms_v: float
    samples: int
    step_v: float

    def peak_v(self, order: Order) -> float:
        """Peak V of one line. KeyError where it was not fitted."""
        return abs(self.phasors[order])

    @property
    def line_noise_v2(self) -> float:
        """Mean square of the peak volts that noise and converter show at one line: 4 s^2/N, and the converter's own
        product at most as large as that of one tone of the same crest (spread over more lines it is less)."""
        noise = 4.0 * self.residual_rms_v**2 / self.samples
        crest_v = self.peak_v((1, 0)) + self.peak_v((0, 1))
        if self.step_v <= 0.0 or crest_v <= 0.0:
            return noise
        share = step_share(self.residual_rms_v, self.step_v)
        return noise + PRODUCT_STEPS * share * self.step_v**3 / crest_v


@dataclass(frozen=True)
class Ratio:
    """raw: as measured, noise in it; value: the noise's power taken away; floor: rms that clean tones would show;
    u: standard uncertainty from noise and converter, well above the floor. called: from which on it is distortion."""

    raw: float
    value: float
    floor: float
    u: float
    called: Called

    @property
    def below_floor(self) -> bool:
        """Not to be called distortion: `less_than` is all that can be said."""
        return self.raw <= self.called.above * self.floor

    @property
    def less_than(self) -> float:
        return self.called.less_than * self.floor


@dataclass(frozen=True)
class Product:
    """Lines against a denominator, in words."""

    name: str
    lines_hz: tuple[float, ...]
    denominator: str
    of: Ratio


@dataclass(frozen=True)
class Pairs:
    """d2, d3: sums of the first and second pair of sidebands over the high tone; total: root of their squares'
    sum."""

    d2: Ratio
    d3: Ratio
    total: Ratio


@dataclass(frozen=True)
class Differences:
    """Over the sum of both tones' volts. d2: the line at f2 - f1; d3: the sum of 2 f1 - f2 and 2 f2 - f1."""

    d2: Ratio
    d3: Ratio


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


def modulation(record: Record, low_hz: float, high_hz: float, cycles: int) -> tuple[tuple[Product, ...], Tones]:
    """A low and a high tone in a burst of so many cycles of the low one: the sidebands. ValueError as `fit_tones`."""
    tones = _of_burst(record, low_hz, high_hz, cycles)
    pairs, words = pair_sums(tones), "the second tone"
    sides = {n: (high_hz - n * low_hz, high_hz + n * low_hz) for n in range(1, SIDEBANDS + 1)}
    all_of_them = tuple(hz for pair in sides.values() for hz in pair)
    return (
        Product("modulation distortion", all_of_them, words, sideband_rms(tones)),
        Product("d2 of modulation", sides[1], words, pairs.d2),
        Product("d3 of modulation", sides[2], words, pairs.d3),
    ), tones


def difference(record: Record, low_hz: float, high_hz: float, cycles: int) -> tuple[tuple[Product, ...], Tones]:
    """Two like tones near each other: their difference tones. ValueError as `fit_tones`."""
    tones = _of_burst(record, low_hz, high_hz, cycles)
    found, words = difference_tones(tones), "the sum of both tones"
    third_order = (2.0 * low_hz - high_hz, 2.0 * high_hz - low_hz)
    return (
        Product("d2 of difference tones", (high_hz - low_hz,), words, found.d2),
        Product("d3 of difference tones", third_order, words, found.d3),
    ), tones


def _of_burst(record: Record, low_hz: float, high_hz: float, cycles: int) -> Tones:
    volts, times_s = later_part(record, low_hz, high_hz, cycles)
    return fit_tones(volts, times_s, low_hz, high_hz, record.step_v)


def fit_tones(volts: Real, times_s: Real, low_hz: float, high_hz: float, step_v: float = 0.0) -> Tones:
    """Joint fit of both tones and their products below half the sample rate. volts, times_s: shape (n,), V and s.

    ValueError: tones in the wrong order, too short for the narrowest gap between lines, uneven samples, tones above
    half the rate, or a clock that does not come to rest within 300 ppm.
    """
    dt = spacing_s(times_s)
    if not 0.0 < low_hz < high_hz < 0.5 / dt:
        raise ValueError("the tones are not in order below half the sample rate")
    orders = _orders(low_hz, high_hz, 0.5 / dt)
    hz: Real = np.array([m * low_hz + n * high_hz for m, n in orders])
    gap_hz = float(np.diff(np.sort(np.concatenate([[0.0], hz]))).min())
    if volts.size * dt * gap_hz < GAP_CYCLES or volts.size < 2 * len(orders) + 4:
        raise ValueError(f"the record is too short: it must hold {GAP_CYCLES:g} cycles of {gap_hz:g} Hz")
    centred: Real = (np.arange(volts.size, dtype=np.float64) - (volts.size - 1) / 2.0) * dt
    clock, solution, left = _settled(volts, centred, hz)
    k = len(orders)
    middle_s = (float(times_s[0]) + float(times_s[-1])) / 2.0
    phasors = (solution[1 : k + 1] - 1j * solution[k + 1 :]) * np.exp(-2j * np.pi * hz * (1.0 + clock) * middle_s)
    return Tones(
        low_hz,
        high_hz,
        dict(zip(orders, phasors.tolist(), strict=True)),
        float(solution[0]),
        clock,
        math.sqrt(float(left @ left) / (volts.size - 2 * k - 2)),
        int(volts.size),
        step_v,
    )


def sideband_rms(tones: Tones, sidebands: int = SIDEBANDS) -> Ratio:
    """Root of the sum of squares of the sidebands f2 +- n f1, n = 1..`sidebands`, over the high tone."""
    orders = [(sign * n, 1) for n in range(1, sidebands + 1) for sign in (-1, 1)]
    return _rms_ratio(tones, orders, tones.peak_v((0, 1)))


def pair_sums(tones: Tones) -> Pairs:
    """d2 = (U(f2-f1) + U(f2+f1))/U(f2), d3 = (U(f2-2f1) + U(f2+2f1))/U(f2), total = sqrt(d2^2 + d3^2)."""
    over_v = tones.peak_v((0, 1))
    d2, d3 = (_sum_ratio(tones, [(-n, 1), (n, 1)], over_v) for n in (1, 2))
    raw, value = math.hypot(d2.raw, d3.raw), math.hypot(d2.value, d3.value)
    u = math.hypot(d2.value * d2.u, d3.value * d3.u) / value if value > 0.0 else math.hypot(d2.u, d3.u)
    return Pairs(d2, d3, Ratio(raw, value, math.hypot(d2.floor, d3.floor), u, PAIRS_CALLED))


def difference_tones(tones: Tones) -> Differences:
    """d2 = U(f2-f1)/(U(f1) + U(f2)), d3 = (U(2f1-f2) + U(2f2-f1))/(U(f1) + U(f2))."""
    over_v = tones.peak_v((1, 0)) + tones.peak_v((0, 1))
    return Differences(_sum_ratio(tones, [(-1, 1)], over_v), _sum_ratio(tones, [(2, -1), (-1, 2)], over_v))


def _orders(low_hz: float, high_hz: float, nyquist_hz: float) -> list[Order]:
    """Both tones, harmonics of each, sidebands; written so that m f1 + n f2 is above zero; each frequency once."""
    wanted: list[Order] = [(1, 0), (0, 1)]
    wanted += [(sign * n, 1) for n in range(1, SIDEBANDS + 1) for sign in (-1, 1)]
    wanted += [(2, -1), (3, -2), (-2, 3), (-1, 2), (1, 2), (-2, 2)]
    wanted += [order for n in range(2, FITTED_HARMONICS + 1) for order in ((n, 0), (0, n))]
    kept: dict[int, Order] = {}
    for m, n in wanted:
        hz = m * low_hz + n * high_hz
        key = round(hz * 1e3)
        if 0.0 < hz < 0.98 * nyquist_hz and key not in kept:
            kept[key] = (m, n)
    return list(kept.values())


def _settled(volts: Real, centred_s: Real, hz: Real) -> tuple[float, Real, Real]:
    """(clock's difference, solution, residual); solution: offset, cosines, sines about the middle."""
    clock, length_s = 0.0, float(centred_s[-1] - centred_s[0])
    for _ in range(ROUNDS):
        turn: Real = 2.0 * np.pi * hz * (1.0 + clock)
        columns = _columns(centred_s, turn)
        gram = columns @ columns.T
        solution = np.asarray(np.linalg.solve(gram, columns @ volts), dtype=np.float64)
        left: Real = volts - solution @ columns
        k = hz.size
        turned = np.concatenate([[0.0], solution[k + 1 :] * turn, -solution[1 : k + 1] * turn])
        slope = centred_s * (turned @ columns)
        own = slope - np.linalg.solve(gram, columns @ slope) @ columns
        size = float(own @ own)
        if size <= 0.0:
            break
        change = float(own @ left) / size * (1.0 + clock)
        if abs(change) * float(turn.max()) * length_s < SETTLED_RAD:
            return clock, solution, left
        clock += change
        if not abs(clock) <= CLOCK_AWAY:
            break
    raise ValueError("the clock does not come to rest within 300 ppm: no such tones, or too far off")


def _columns(centred_s: Real, turn: Real) -> Real:
    """shape (2k+1, n): ones, cosines, sines; by rows, since a product of two exponentials is one of their sum."""
    dt = float(centred_s[-1] - centred_s[0]) / (centred_s.size - 1)
    rows = -(-centred_s.size // ROW)
    heads: Complex = np.exp(1j * turn[:, None] * (centred_s[0] + dt * ROW * np.arange(rows)))
    within: Complex = np.exp(1j * turn[:, None] * dt * np.arange(ROW))
    waves: NDArray[np.complex128] = (heads[:, :, None] * within[:, None, :]).reshape(turn.size, -1)
    waves = waves[:, : centred_s.size]
    return np.concatenate([np.ones((1, centred_s.size)), waves.real, waves.imag])


def _rms_ratio(tones: Tones, orders: Sequence[Order], over_v: float) -> Ratio:
    if over_v <= 0.0:
        return Ratio(0.0, 0.0, math.inf, math.inf, called(len(orders)))
    raw = math.sqrt(sum(tones.peak_v(order) ** 2 for order in orders)) / over_v
    floor = math.sqrt(len(orders) * tones.line_noise_v2) / over_v
    # Noise along one direction is half of a line's; the denominator has its own.
    u = math.sqrt(tones.line_noise_v2 / 2.0 * (1.0 + raw**2)) / over_v
    return Ratio(raw, less_noise(raw, floor), floor, u, called(len(orders)))


def _sum_ratio(tones: Tones, orders: Sequence[Order], over_v: float) -> Ratio:
    """The volts of one line, or of two added, the noise's power taken away from each."""
    said = called(1) if len(orders) == 1 else PAIR_CALLED
    if over_v <= 0.0:
        return Ratio(0.0, 0.0, math.inf, math.inf, said)
    line_floor = math.sqrt(tones.line_noise_v2)
    peaks = [tones.peak_v(order) for order in orders]
    raw, count = sum(peaks) / over_v, len(orders)
    value = sum(less_noise(peak, line_floor) for peak in peaks) / over_v
    # rms of a sum of `count` Rayleigh amplitudes: mean square v each, product of two means pi/4 v.
    floor = line_floor * math.sqrt(count + count * (count - 1) * math.pi / 4.0) / over_v
    u = math.sqrt(tones.line_noise_v2 / 2.0 * (count + raw**2)) / over_v
    return Ratio(raw, value, floor, u, said)
