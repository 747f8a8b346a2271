"""What distortion a record can show at least, how well it shows more, and distortion with noise in a band.

A converter's own error is not noise: with less than a third of a code of noise before it, part of the error is
harmonics of the tone, so the floor has a term of its own for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Protocol

from scipy import special

from sequencer.analysis.folded import Real, spacing_s
from sequencer.analysis.harmonics import HarmonicFit, fit_and_rest, harmonics_in_band
from sequencer.analysis.records import Record
from sequencer.analysis.spectrum import band_lines, quick_length

# x floor: above the first a raw ratio is called distortion, and what does not reach it is told as less than the second.
# Of few lines, whose noise is more uneven, more than these
DISTORTION_FROM, BELOW_FLOOR_MEANS = 2.0, 2.5
WRONG = 1e-3  # part of records of which either may be said wrongly
LEAST_CYCLES = 3  # fewer leave no bins between the harmonics
INSET = 0.01  # of a cycle, at both ends of a window
STEP_NOISE = 1.0 / math.sqrt(12.0)  # rms of an even error within one step


class HasFit(Protocol):
    """Anything that carries the fit of its fundamental."""

    @property
    def fit(self) -> HarmonicFit: ...


def step_share(residual_rms_v: float, step_v: float) -> float:
    """exp(-4 pi^2 max(0, s^2 - 1/12)), s the residual in steps: how much of the converter's own harmonics noise
    leaves.
    """
    s = residual_rms_v / step_v
    return math.exp(-4.0 * math.pi**2 * max(0.0, s * s - 1.0 / 12.0))


def thd_floor(residual_rms_v: float, amplitude_v: float, samples: float, harmonics: int, step_v: float) -> float:
    """Rms of the THD ratio that a clean tone would show.

    F^2 = (K - 1) [4 s^2/(N A^2) + 0.0123 exp(-4 pi^2 max(0, s^2 - 1/12)) / A^3], s and A in steps in the second
    term: the converter's harmonics 2 J_k(2 pi m A)/(pi m), summed over m. V, V, count, highest harmonic, V per
    code (0: no converter).
    """
    if amplitude_v <= 0.0:
        return math.inf
    noise = 4.0 * residual_rms_v**2 / (samples * amplitude_v**2)
    stepped = 0.0
    if step_v > 0.0:
        stepped = 0.0123 * step_share(residual_rms_v, step_v) / (amplitude_v / step_v) ** 3
    return math.sqrt((harmonics - 1) * (noise + stepped))


def thd_uncertainty(
    residual_rms_v: float, amplitude_v: float, samples: int, step_v: float, *, cycles: float = 1.0, near: float = 0.0
) -> float:
    """Standard uncertainty of a THD ratio above its floor (of one harmonic's ratio; they add along the sum's
    direction). cycles: in the record; near: the floor over the ratio.

    u^2 = [2 s^2/N + 0.0062 exp(-4 pi^2 max(0, s^2 - 1/12))/A + r] / A^2 x (1 + near^2/2), all but the first term in
    steps. r: the converter's error comes again the same in each cycle where a whole number of samples fits one, and is
    not averaged over cycles (`_repeated`). The factor: noise across the sum's direction adds its power (non-central
    chi-square of 2 (K - 1) degrees, to first order).
    """
    if amplitude_v <= 0.0:
        return math.inf
    squared = 2.0 * residual_rms_v**2 / (samples * amplitude_v**2)
    if step_v > 0.0:
        share, steps = step_share(residual_rms_v, step_v), amplitude_v / step_v
        squared += 0.0062 * share / steps**3 + _repeated(share, steps, samples / cycles, cycles) / steps**2
    return math.sqrt(squared * (1.0 + min(near, 1.0) ** 2 / 2.0))


def _repeated(share: float, amplitude_steps: float, per_cycle: float, cycles: float) -> float:
    """What the error that noise leaves of a converter, of mean square share / (2 pi^2), adds where it repeats: it is
    averaged over one cycle's samples only, and over as many patterns as the steps pass by while sampling drifts
    against the tone. Steps squared."""
    drift_steps = abs(per_cycle - round(per_cycle)) * cycles * 2.0 * math.pi * amplitude_steps / per_cycle
    patterns = min(max(1.0, drift_steps), cycles) if cycles > 1.0 else 1.0
    return 2.0 * share / (2.0 * math.pi**2) / per_cycle * max(0.0, 1.0 / patterns - 1.0 / max(cycles, 1.0))


def less_noise(measured: float, floor: float) -> float:
    """Ratio with the floor's power taken away; unbiased in power above 2 floors.

    Never less than a tenth of the floor: below that the difference means nothing, and a logarithm of it must stay
    finite.
    """
    if math.isinf(floor):  # no fundamental: there is nothing to take away from
        return measured
    return math.sqrt(max(measured * measured - floor * floor, 0.01 * floor * floor))


def below_floor(measured: float, floor: float, harmonics: int = 20) -> bool:
    """Whether a raw ratio must not be called distortion: it is then "below floor", that is `less_than`. harmonics: the
    highest, K; the ratio is that of K - 1 of them."""
    return measured <= called(harmonics - 1).above * floor


def less_than(floor: float, harmonics: int) -> float:
    """What a ratio below its floor is told as: some 2.5 floors, of few harmonics up to 4.8."""
    return called(harmonics - 1).less_than * floor


@dataclass(frozen=True)
class Called:
    """x floor. above: a raw ratio above it is called distortion; less_than: what any other one is told as."""

    above: float
    less_than: float


@cache
def called(lines: int) -> Called:
    """For the root of the sum of squares of so many lines, each wrong in 0.1 % of records at most.

    2 n (raw/floor)^2 is chi-square of 2 n degrees, about 2 n (true/floor)^2 where something is there (non-central).
    """
    n = max(1, lines)
    above = max(DISTORTION_FROM, math.sqrt(float(special.gammaincinv(n, 1.0 - WRONG)) / n))
    most = float(special.chndtrinc(2.0 * n * above**2, 2.0 * n, WRONG))
    return Called(above, max(BELOW_FLOOR_MEANS, math.sqrt(most / (2.0 * n))))


@dataclass(frozen=True)
class Distortion:
    """A THD ratio with the noise's power taken away, its floor and its standard uncertainty."""

    thd: float
    floor: float
    u: float


def distortion_of(
    fit: HarmonicFit, record: Record, frequency_hz: float, harmonics: int, residual_rms_v: float | None = None
) -> Distortion:
    """Of a fit to a part of the record. residual_rms_v: the noise, V, where the fit's own residual is more than
    that."""
    noise = (fit.residual_rms_v if residual_rms_v is None else residual_rms_v, fit.amplitude_v, fit.samples)
    floor = thd_floor(*noise, harmonics, record.step_v)
    near = floor / fit.thd_f if fit.thd_f > 0.0 else 0.0
    cycles = fit.samples * record.sample_interval_s * frequency_hz
    u = thd_uncertainty(*noise, record.step_v, cycles=cycles, near=near)
    return Distortion(less_noise(fit.thd_f, floor), floor, u)


def power_noise(fit: HarmonicFit) -> float:
    """Relative standard uncertainty of V^2 from the noise of one record: 2 sqrt(2/N) s/A."""
    return 2.0 * math.sqrt(2.0 / fit.samples) * fit.residual_rms_v / fit.amplitude_v


@dataclass(frozen=True)
class ThdN:
    """Distortion with noise. ratio: to the fundamental; u: standard, from the noise alone; bins: FFT lines in the
    band; freedom: of the noise estimate, 0 where the harmonics fill the band and the ratio is the raw THD."""

    ratio: float
    u: float
    bins: int
    freedom: int


def thd_n(
    record: Record,
    start_s: float,
    frequency_hz: float,
    cycles: int,
    harmonics: int,
    band_hz: tuple[float, float],
) -> float:
    """Ratio of harmonics and noise within the band to the fundamental, over the burst's later half (3 cycles at
    least).
    """
    return thd_n_reading(record, start_s, frequency_hz, cycles, harmonics, band_hz).ratio


def thd_n_reading(
    record: Record,
    start_s: float,
    frequency_hz: float,
    cycles: int,
    harmonics: int,
    band_hz: tuple[float, float],
) -> ThdN:
    """`thd_n` with its uncertainty. ValueError for fewer than 3 cycles: no bin lies between the harmonics."""
    if cycles < LEAST_CYCLES:
        raise ValueError(f"distortion with noise needs at least {LEAST_CYCLES} cycles, not {cycles}")
    used = max(LEAST_CYCLES, cycles // 2)
    begin_s = start_s + (cycles - used + INSET) / frequency_hz
    end_s = start_s + (cycles - INSET) / frequency_hz
    dt = record.sample_interval_s
    first = math.ceil((begin_s - record.start_s) / dt)
    last = math.floor((end_s - record.start_s) / dt) + 1
    if first < 0 or last > record.volts.size:
        raise ValueError("the burst does not lie inside the record")
    return _thd_n(record.volts[first:last], dt, frequency_hz, harmonics, band_hz)


def thd_n_of(volts: Real, times_s: Real, frequency_hz: float, harmonics: int, band_hz: tuple[float, float]) -> ThdN:
    """Fit first, then add the bins of the unwindowed residual in the band: its small ends need no window.

    volts, times_s: shape (n,). The noise behind the fundamental's own two unknowns is put back from the density
    between the harmonics: 2 nb - 2 K freedoms for nb bins.
    """
    return _thd_n(volts, spacing_s(times_s), frequency_hz, harmonics, band_hz)


def _thd_n(volts: Real, dt: float, frequency_hz: float, harmonics: int, band_hz: tuple[float, float]) -> ThdN:
    k = harmonics_in_band(frequency_hz, harmonics, band_hz)
    fit, left = fit_and_rest(volts[: quick_length(volts.size)], 0.0, dt, frequency_hz, k)
    lines = band_lines(left, dt, band_hz)[1]
    noise_v2, bins = float(lines.sum()), int(lines.size)
    freedom = max(0, 2 * bins - 2 * k)
    per_freedom = noise_v2 / freedom if freedom else 0.0
    total_v2 = fit.distortion_rms_v**2 + noise_v2 + 2.0 * per_freedom
    fundamental = fit.fundamental_rms_v
    ratio = math.sqrt(total_v2) / fundamental
    # Half the relative deviation of a chi-square sum of all bins' noise, and the noise along the harmonics.
    all_noise = per_freedom * 2.0 * bins
    spread = all_noise * math.sqrt(2.0 / freedom) / 2.0 if freedom else 0.0
    along = math.sqrt(per_freedom) * fit.distortion_rms_v
    u = math.hypot(spread, along) / (math.sqrt(total_v2) * fundamental) if total_v2 > 0.0 else 0.0
    return ThdN(ratio, u, bins, freedom)


def thd_n_floor(record: Record, last: HasFit, band_hz: tuple[float, float]) -> float:
    """Least THD+N ratio this converter can show at this fill: its even step error, as much of it as lies in the
    band."""
    nyquist_hz = 0.5 / record.sample_interval_s
    share = max(0.0, min(band_hz[1], nyquist_hz) - band_hz[0]) / nyquist_hz
    return record.step_v * STEP_NOISE * math.sqrt(share) / last.fit.fundamental_rms_v
