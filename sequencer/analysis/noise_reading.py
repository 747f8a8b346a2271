"""Noise of an output without signal: rms in the audio band, A-weighted, hum apart from the rest.

Hum is fitted line by line (mains frequency and its multiples up to the 20th, one common frequency), so that no line
leaks into the rest; the noise behind a line is put back from its neighbours. The digitiser's own noise is taken away
in power; what does not stand two standard uncertainties above it is below the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import HarmonicFit, fit_harmonics, harmonics_in_band
from sequencer.analysis.noise import STEP_NOISE
from sequencer.analysis.records import Record
from sequencer.analysis.spectrum import band_lines, quick_length
from sequencer.analysis.weighting import AUDIO_HZ, a_bandwidth_hz, a_gain

HUM_LINES = 20
LEAST_CYCLES = 4  # of mains: fewer leave too few lines between two of hum to tell the noise there
MAINS_AWAY = 0.01  # mains stays within 1 % of its frequency (common practice, no source)
FALSE_LINES = 1e-3  # part of lines of plain noise that are called hum
CLEAR = 2.0  # standard uncertainties by which a power must stand above the digitiser's own


@dataclass(frozen=True)
class Level:
    """V rms with its standard uncertainty. most_v: what the reading leaves possible at most (2 u); freedom: of the
    chi-square behind it; below_floor: the digitiser's own noise hides it, and volts means nothing."""

    volts: float
    u_v: float
    most_v: float
    freedom: float
    below_floor: bool


@dataclass(frozen=True)
class HumLine:
    """order: multiple of the mains frequency; rms_v: the noise's power taken away; floor_v: rms that noise alone
    shows there."""

    order: int
    frequency_hz: float
    rms_v: float
    floor_v: float
    below_floor: bool


@dataclass(frozen=True)
class NoiseReading:
    """total, a_weighted: hum included; rest: without hum, unweighted; hum_rms_v: all lines together, as powers."""

    total: Level
    a_weighted: Level
    rest: Level
    hum: tuple[HumLine, ...]
    hum_rms_v: float


@dataclass(frozen=True)
class _Powers:
    """V^2 and their variances, before the digitiser is taken away: shape (3,), total, weighted, rest."""

    squares: Real
    variances: Real
    hz: Real
    raw: Real
    behind: Real
    freedom: int


def read_noise(
    record: Record, mains_hz: float, digitiser: Record | None = None, band_hz: tuple[float, float] = AUDIO_HZ
) -> NoiseReading:
    """record: silence only. digitiser: the like with its input shorted, on the same range; without it the even error
    within one step, step^2/12 over half the sample rate (IEEE 1057, from memory), is its own noise.

    ValueError below 4 cycles of mains, where 20 of its lines do not fit below half the sample rate, or where both
    records differ in interval or step.
    """
    seen = _powers(record, mains_hz, band_hz)
    if digitiser is None:
        own_squares, own_variances, own_hum = _steps(record, band_hz), np.zeros(3), np.zeros(seen.hz.size)
    else:
        if not math.isclose(digitiser.sample_interval_s, record.sample_interval_s, rel_tol=1e-6) or not math.isclose(
            digitiser.step_v, record.step_v, rel_tol=1e-6
        ):
            raise ValueError("the digitiser's own noise was taken at another interval or on another range")
        own = _powers(digitiser, mains_hz, band_hz)
        own_squares, own_variances = own.squares, own.variances
        own_hum = np.maximum(own.raw - own.behind, 0.0)
    levels = [
        _level(*four)
        for four in zip(
            seen.squares.tolist(), seen.variances.tolist(), own_squares.tolist(), own_variances.tolist(), strict=True
        )
    ]
    hum = _lines(seen, own_hum)
    hum_v2 = float((seen.raw - seen.behind).sum()) - float(own_hum.sum())
    return NoiseReading(levels[0], levels[1], levels[2], hum, math.sqrt(max(0.0, hum_v2)))


def signal_to_noise_db(noise_v: float, ohm: float, power_w: float = 1.0) -> float:
    """dB of the volts that power_w makes in ohm (1 W: 2.8284 V in 8 ohm) over the noise. Over a rated power it is
    10 log10 of the watts more. ValueError without noise."""
    if noise_v <= 0.0:
        raise ValueError("no ratio to a noise of nothing")
    return 10.0 * math.log10(power_w * ohm) - 20.0 * math.log10(noise_v)


def _powers(record: Record, mains_hz: float, band_hz: tuple[float, float]) -> _Powers:
    if not band_hz[0] <= mains_hz <= band_hz[1]:
        raise ValueError(f"mains of {mains_hz} Hz lies outside the band")
    size = quick_length(record.volts.size)
    dt = record.sample_interval_s
    cycles = size * dt * mains_hz
    if cycles < LEAST_CYCLES:
        raise ValueError(f"noise needs at least {LEAST_CYCLES} cycles of mains, not {cycles:.2f}")
    volts, times = record.volts[:size], record.times_s[:size]
    fit = _hum_fit(volts, times, mains_hz, harmonics_in_band(mains_hz, HUM_LINES, band_hz))
    hz, lines = band_lines(volts - fit.wave(times), dt, band_hz)
    of_hum: Real = fit.frequency_hz * np.arange(1.0, fit.harmonics + 1.0)
    raw: Real = fit.harmonic_rms**2
    near = [np.abs(hz - line) <= fit.frequency_hz / 2.0 for line in of_hum]
    # One line's worth of two unknowns is taken out of each neighbourhood by the fit itself.
    behind = np.array([lines[some].sum() / (some.sum() - 1) for some in near])
    weight, hum_weight = a_gain(hz) ** 2, a_gain(of_hum) ** 2
    rest = float(lines.sum() + behind.sum())
    weighted = float((weight * lines).sum() + (hum_weight * raw).sum())
    # A line of noise is exponential: variance P^2, and the mean of its square is 2 P^2.
    of_rest = float((lines**2).sum()) / 2.0 + float((behind**2).sum())
    of_weighted = float(((weight * lines) ** 2).sum()) / 2.0
    signal = np.maximum(raw - behind, 0.0)
    of_line = 2.0 * signal * behind + behind**2
    return _Powers(
        np.array([lines.sum() + raw.sum(), weighted, rest]),
        np.array(
            [
                float((lines**2).sum()) / 2.0 + float(of_line.sum()),
                of_weighted + float((hum_weight**2 * of_line).sum()),
                of_rest,
            ]
        ),
        of_hum,
        raw,
        behind,
        int(min(some.sum() for some in near)) - 1,
    )


def _hum_fit(volts: Real, times: Real, mains_hz: float, harmonics: int) -> HarmonicFit:
    """At the mains' own frequency where hum is strong enough to tell it."""
    try:
        fit = fit_harmonics(volts, times, mains_hz, harmonics, solve_frequency=True)
    except ValueError:
        fit = None
    if fit is not None and abs(fit.frequency_hz / mains_hz - 1.0) <= MAINS_AWAY:
        return fit
    return fit_harmonics(volts, times, mains_hz, harmonics)


def _steps(record: Record, band_hz: tuple[float, float]) -> Real:
    """V^2 of an even error within one step, white up to half the sample rate: in the band, weighted, in the band."""
    density = 2.0 * record.sample_interval_s * (record.step_v * STEP_NOISE) ** 2
    edge = min(band_hz[1], 0.5 / record.sample_interval_s)
    plain = density * max(0.0, edge - band_hz[0])
    return np.array([plain, density * a_bandwidth_hz((band_hz[0], edge)), plain])


def _level(square: float, variance: float, own: float, own_variance: float) -> Level:
    left, u_square = square - own, math.sqrt(variance + own_variance)
    most = math.sqrt(max(left, 0.0) + CLEAR * u_square)
    freedom = 2.0 * square**2 / variance if variance > 0.0 else math.inf
    if left <= CLEAR * u_square:
        return Level(math.sqrt(max(left, 0.0)), most, most, freedom, True)
    volts = math.sqrt(left)
    return Level(volts, u_square / (2.0 * volts), most, freedom, False)


def _lines(seen: _Powers, own_hum: Real) -> tuple[HumLine, ...]:
    """Raw power over the noise behind it is an F ratio of 2 and 2m freedoms: above m (p^(-1/m) - 1) with chance p."""
    m = seen.freedom
    limit = m * (FALSE_LINES ** (-1.0 / m) - 1.0)
    lines = []
    for i, hz in enumerate(seen.hz.tolist()):
        raw, behind, own = float(seen.raw[i]), float(seen.behind[i]), float(own_hum[i])
        rms_v = math.sqrt(max(raw - behind - own, 0.0))
        hidden = raw <= limit * behind + 2.0 * own
        lines.append(HumLine(i + 1, hz, rms_v, math.sqrt(behind), hidden))
    return tuple(lines)
