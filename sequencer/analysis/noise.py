"""What distortion a record can show at least, how well it shows more, and distortion with noise in a band.

A converter's own error is not noise: with less than a third of a code of noise before it, part of the error is
harmonics of the tone, so the floor has a term of its own for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import HarmonicFit, fit_harmonics, harmonics_in_band
from sequencer.analysis.records import Record
from sequencer.analysis.spectrum import band_lines, quick_length

# x floor: above this a raw ratio is called distortion (false in 0.1 % of clean records)
DISTORTION_FROM = 2.0
BELOW_FLOOR_MEANS = 2.5  # x floor: what a reading below the floor leaves possible (wrong in 0.1 %)
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


def thd_uncertainty(residual_rms_v: float, amplitude_v: float, samples: int, step_v: float) -> float:
    """Standard uncertainty of a THD ratio well above its floor (of one harmonic's ratio; they add along the sum's
    direction).

    u^2 = [2 s^2/N + 0.0062 exp(-4 pi^2 max(0, s^2 - 1/12))/A] / A^2, the second term in steps.
    """
    if amplitude_v <= 0.0:
        return math.inf
    squared = 2.0 * residual_rms_v**2 / (samples * amplitude_v**2)
    if step_v > 0.0:
        squared += 0.0062 * step_share(residual_rms_v, step_v) / (amplitude_v / step_v) ** 3
    return math.sqrt(squared)


def less_noise(measured: float, floor: float) -> float:
    """Ratio with the floor's power taken away; unbiased in power above 2 floors.

    Never less than a tenth of the floor: below that the difference means nothing, and a logarithm of it must stay
    finite.
    """
    if math.isinf(floor):  # no fundamental: there is nothing to take away from
        return measured
    return math.sqrt(max(measured * measured - floor * floor, 0.01 * floor * floor))


def below_floor(measured: float, floor: float) -> bool:
    """Whether a raw ratio must not be called distortion: it is then "below floor", that is less than 2.5 floors."""
    return measured <= DISTORTION_FROM * floor


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
    times = record.times_s
    return thd_n_of(record.volts[first:last], times[first:last], frequency_hz, harmonics, band_hz)


def thd_n_of(volts: Real, times_s: Real, frequency_hz: float, harmonics: int, band_hz: tuple[float, float]) -> ThdN:
    """Fit first, then add the bins of the unwindowed residual in the band: its small ends need no window.

    volts, times_s: shape (n,). The noise behind the fundamental's own two unknowns is put back from the density
    between the harmonics: 2 nb - 2 K freedoms for nb bins.
    """
    size = quick_length(volts.size)
    volts, times_s = volts[:size], times_s[:size]
    k = harmonics_in_band(frequency_hz, harmonics, band_hz)
    fit = fit_harmonics(volts, times_s, frequency_hz, k)
    left = volts - fit.wave(times_s)
    lines = band_lines(left, float(times_s[1] - times_s[0]), band_hz)[1]
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
