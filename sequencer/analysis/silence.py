"""A silent output: its noise in the audio band, with and without A-weighting, and the lines of mains hum. Pure.

The lines (mains frequency and its multiples up to the 20th, one common frequency) are fitted and taken out first, so
that no line leaks into the rest and no window is needed; the noise behind a line is put back from its neighbours. The
digitiser's own noise is taken away in power; what does not stand two standard uncertainties above it is below the
floor.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from sequencer.analysis.folded import Real
from sequencer.analysis.harmonics import HarmonicFit, fit_harmonics, harmonics_in_band
from sequencer.analysis.noise import STEP_NOISE
from sequencer.analysis.spectrum import quick_length, spectrum
from sequencer.analysis.weighting import AUDIO_HZ, a_bandwidth_hz, a_gain

HUM_ORDERS = 20  # of the mains frequency: these lines are taken out
TOLD_ORDERS = (1, 2, 3)
LEAST_CYCLES = 4  # of mains: fewer leave too few lines between two of hum to tell the noise there
LINE_SEEN = 10.0  # times its noise: only then does its phase tell the mains frequency
MAINS_AWAY_HZ = 1.0  # mains stays so near to its frequency (common practice, no source)
FALSE_LINES = 1e-3  # part of lines of plain noise that are called hum
CLEAR = 2.0  # standard uncertainties by which a power must stand above the digitiser's own
THIRDS = range(13, 44)  # of an octave, in tenths of a decade: 20 Hz to 20 kHz (IEC 61260-1, base ten)


@dataclass(frozen=True)
class Power:
    """Mean square and its variance, V^2 and V^4."""

    v2: float
    variance: float

    @property
    def u_v2(self) -> float:
        return math.sqrt(self.variance)

    @property
    def freedom(self) -> float:
        """Of the chi-square behind it."""
        return 2.0 * self.v2**2 / self.variance if self.variance > 0.0 else math.inf


@dataclass(frozen=True)
class Silence:
    """About the mean, of one record or of several. total, weighted: hum included; rest: of the band without hum.

    raw_v2, behind_v2: of each mains line, as fitted, and the noise behind it; line_freedom: of the latter, halved.
    thirds_v2: of each third of an octave, hum included. step_v: V per code, 0: none.
    """

    total: Power
    weighted: Power
    rest: Power
    raw_v2: tuple[float, ...]
    behind_v2: tuple[float, ...]
    line_freedom: int
    thirds_v2: tuple[float, ...]
    mains_hz: float
    interval_s: float
    step_v: float = 0.0
    records: int = 1

    @property
    def hum_lines_v2(self) -> tuple[float, ...]:
        """Of each line, the noise's power taken away."""
        return tuple(max(r - b, 0.0) for r, b in zip(self.raw_v2, self.behind_v2, strict=True))

    @property
    def hum_v2(self) -> float:
        """Of all lines together."""
        return sum(self.hum_lines_v2)

    @property
    def hum_a_v2(self) -> float:
        """The same, A-weighted."""
        weight = a_gain(self.mains_hz * np.arange(1.0, len(self.raw_v2) + 1.0)) ** 2
        return float(weight @ np.array(self.hum_lines_v2))


@dataclass(frozen=True)
class Level:
    """V rms with its standard uncertainty. most_v: what the reading leaves possible at most (2 u); freedom: of the
    chi-square behind it; below_floor: the digitiser's own noise hides it, and volts means nothing. own_v: that noise,
    already taken away."""

    volts: float
    u_v: float
    most_v: float
    freedom: float
    below_floor: bool
    own_v: float = 0.0


@dataclass(frozen=True)
class HumLine:
    """order: multiple of the mains frequency; rms_v: the noise's power taken away, with its standard uncertainty;
    floor_v: rms that noise alone shows there; seen_from_v: raw rms above which it is called hum."""

    order: int
    frequency_hz: float
    rms_v: float
    u_v: float
    floor_v: float
    seen_from_v: float
    below_floor: bool


@dataclass(frozen=True)
class NoiseReading:
    """total, a_weighted: hum included; rest: without hum, unweighted; hum_rms_v: all lines together, as powers."""

    total: Level
    a_weighted: Level
    rest: Level
    hum: tuple[HumLine, ...]
    hum_rms_v: float


def silence_of(volts: Real, interval_s: float, mains_hz: float, step_v: float = 0.0) -> Silence:
    """volts: shape (n,), V at even instants, 4 cycles of mains or more; mains_hz: as it should be, within 1 Hz.

    ValueError where the record is too short, or sampled too slowly for the band, or mains lies outside it.
    """
    if 0.5 / interval_s < AUDIO_HZ[1]:
        raise ValueError(f"a band up to {AUDIO_HZ[1]:g} Hz needs more than {2.0 * AUDIO_HZ[1]:g} samples/s")
    if not AUDIO_HZ[0] <= mains_hz <= AUDIO_HZ[1]:
        raise ValueError(f"mains of {mains_hz} Hz lies outside the band")
    volts = volts[: quick_length(volts.size)]
    if (cycles := volts.size * interval_s * mains_hz) < LEAST_CYCLES - 1e-6:
        raise ValueError(f"noise needs at least {LEAST_CYCLES} cycles of mains, not {cycles:.2f}")
    times = interval_s * np.arange(volts.size, dtype=np.float64)
    fit = _hum_fit(volts, times, mains_hz, harmonics_in_band(mains_hz, HUM_ORDERS, AUDIO_HZ))
    all_hz, power = spectrum(volts - fit.wave(times), interval_s)
    inside = (all_hz >= AUDIO_HZ[0]) & (all_hz <= AUDIO_HZ[1])
    hz, lines = all_hz[inside], power[inside]
    of_hum: Real = fit.frequency_hz * np.arange(1.0, fit.harmonics + 1.0)
    raw: Real = fit.harmonic_rms**2
    near = [np.abs(hz - line) <= fit.frequency_hz / 2.0 for line in of_hum]
    # One line's worth of two unknowns is taken out of each neighbourhood by the fit itself.
    behind = np.array([lines[some].sum() / (some.sum() - 1) for some in near])
    weight, hum_weight = a_gain(hz) ** 2, a_gain(of_hum) ** 2
    # A line of noise is exponential: variance P^2, and the mean of its square is 2 P^2.
    of_line = 2.0 * np.maximum(raw - behind, 0.0) * behind + behind**2
    own, own_a = float((lines**2).sum()) / 2.0, float(((weight * lines) ** 2).sum()) / 2.0
    weighted_v2 = float((weight * lines).sum() + (hum_weight * raw).sum())
    return Silence(
        total=Power(float(lines.sum() + raw.sum()), own + float(of_line.sum())),
        weighted=Power(weighted_v2, own_a + float((hum_weight**2 * of_line).sum())),
        rest=Power(float(lines.sum() + behind.sum()), own + float((behind**2).sum())),
        raw_v2=tuple(raw.tolist()),
        behind_v2=tuple(behind.tolist()),
        line_freedom=int(min(some.sum() for some in near)) - 1,
        thirds_v2=_thirds(power, all_hz, raw, fit.frequency_hz),
        mains_hz=fit.frequency_hz,
        interval_s=interval_s,
        step_v=step_v,
    )


def mean_of(seen: Sequence[Silence]) -> Silence:
    """Of several records of one output on one range: powers, and the lines by their powers; the freedoms add."""
    n = len(seen)

    def mean(powers: Sequence[Power]) -> Power:
        return Power(sum(one.v2 for one in powers) / n, sum(one.variance for one in powers) / n**2)

    def means(each: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
        return tuple(sum(one) / n for one in zip(*each, strict=True))

    return Silence(
        total=mean([one.total for one in seen]),
        weighted=mean([one.weighted for one in seen]),
        rest=mean([one.rest for one in seen]),
        raw_v2=means([one.raw_v2 for one in seen]),
        behind_v2=means([one.behind_v2 for one in seen]),
        line_freedom=sum(one.line_freedom for one in seen),
        thirds_v2=means([one.thirds_v2 for one in seen]),
        mains_hz=sum(one.mains_hz for one in seen) / n,
        interval_s=seen[0].interval_s,
        step_v=seen[0].step_v,
        records=sum(one.records for one in seen),
    )


def reading_of(seen: Silence, digitiser: Silence | None = None) -> NoiseReading:
    """digitiser: the like with its input quiet, on the same range; without it the even error within one step, step^2/12
    over half the sample rate (IEEE 1057, from memory), is its own noise.

    ValueError where both differ in interval or step.
    """
    if digitiser is None:
        total, weighted, rest = _steps(seen)
        own_hum: tuple[float, ...] = (0.0,) * len(seen.raw_v2)
    else:
        alike = math.isclose(digitiser.interval_s, seen.interval_s, rel_tol=1e-6)
        if not alike or not math.isclose(digitiser.step_v, seen.step_v, rel_tol=1e-6):
            raise ValueError("the digitiser's own noise was taken at another interval or on another range")
        total, weighted, rest = digitiser.total, digitiser.weighted, digitiser.rest
        own_hum = digitiser.hum_lines_v2
    hum_v2 = sum(seen.raw_v2) - sum(seen.behind_v2) - sum(own_hum)
    return NoiseReading(
        _level(seen.total, total),
        _level(seen.weighted, weighted),
        _level(seen.rest, rest),
        _hum_lines(seen, own_hum),
        math.sqrt(max(0.0, hum_v2)),
    )


def signal_to_noise_db(noise_v: float, ohm: float, power_w: float = 1.0) -> float:
    """dB of the volts that power_w makes in ohm (1 W: 2.8284 V in 8 ohm) over the noise. Over a rated power it is
    10 log10 of the watts more. ValueError without noise."""
    if noise_v <= 0.0:
        raise ValueError("no ratio to a noise of nothing")
    return 10.0 * math.log10(power_w * ohm) - 20.0 * math.log10(noise_v)


def thirds_hz() -> tuple[float, ...]:
    """Middles of the thirds of an octave, Hz."""
    return tuple(10.0 ** (n / 10.0) for n in THIRDS)


def _hum_fit(volts: Real, times: Real, mains_hz: float, harmonics: int) -> HarmonicFit:
    """At the mains' own frequency, where hum is strong enough to tell it: near by the phase of its first line, then
    by the joint fit of all."""
    near_hz = _by_phase(volts, times, mains_hz)
    try:
        fit = fit_harmonics(volts, times, near_hz, harmonics, solve_frequency=True)
    except ValueError:
        fit = None
    if fit is not None and abs(fit.frequency_hz - mains_hz) <= MAINS_AWAY_HZ:
        return fit
    return fit_harmonics(volts, times, near_hz, harmonics)


def _by_phase(volts: Real, times: Real, mains_hz: float) -> float:
    """By how far the first line's phase moves from one half of the record to the other, where the line is seen: half
    the record apart, so within 1 / record_s of what it should be."""
    half = volts.size // 2
    apart_s, found_hz = half * float(times[1]), mains_hz
    for _ in range(2):
        first, second = (fit_harmonics(volts[part], times[part], found_hz, 3) for part in _halves(half))
        noise_v = math.hypot(first.residual_rms_v, second.residual_rms_v) / math.sqrt(half)
        if min(first.fundamental_rms_v, second.fundamental_rms_v) < LINE_SEEN * noise_v:
            break
        found_hz += float(np.angle(second.phasors[0] / first.phasors[0])) / (2.0 * math.pi * apart_s)
    return found_hz


def _halves(half: int) -> tuple[slice, slice]:
    return slice(0, half), slice(half, 2 * half)


def _thirds(power: Real, hz: Real, raw_v2: Real, mains_hz: float) -> tuple[float, ...]:
    """Noise and hum of each."""
    half, of_hum = 10.0**0.05, mains_hz * np.arange(1.0, raw_v2.size + 1.0)
    found = []
    for middle in thirds_hz():
        low, high = middle / half, middle * half
        lines = float(raw_v2[(of_hum >= low) & (of_hum < high)].sum())
        found.append(float(power[(hz >= low) & (hz < high)].sum()) + lines)
    return tuple(found)


def _steps(seen: Silence) -> tuple[Power, Power, Power]:
    """Of an even error within one step, white up to half the sample rate: in the band, weighted, in the band."""
    density = 2.0 * seen.interval_s * (seen.step_v * STEP_NOISE) ** 2
    edge_hz = min(AUDIO_HZ[1], 0.5 / seen.interval_s)
    plain = Power(density * max(0.0, edge_hz - AUDIO_HZ[0]), 0.0)
    return plain, Power(density * a_bandwidth_hz((AUDIO_HZ[0], edge_hz)), 0.0), plain


def _level(seen: Power, own: Power) -> Level:
    left, u_square, own_v = seen.v2 - own.v2, math.sqrt(seen.variance + own.variance), math.sqrt(own.v2)
    most = math.sqrt(max(left, 0.0) + CLEAR * u_square)
    if left <= CLEAR * u_square:
        return Level(math.sqrt(max(left, 0.0)), most, most, seen.freedom, True, own_v)
    volts = math.sqrt(left)
    return Level(volts, u_square / (2.0 * volts), most, seen.freedom, False, own_v)


def _hum_lines(seen: Silence, own_hum: Sequence[float]) -> tuple[HumLine, ...]:
    """Raw power over the noise behind it, both of n records, is an F ratio of 2n and 2m freedoms."""
    limit = float(special.fdtri(2 * seen.records, 2 * seen.line_freedom, 1.0 - FALSE_LINES))
    lines = []
    for order, (raw, behind, own) in enumerate(zip(seen.raw_v2, seen.behind_v2, own_hum, strict=True), start=1):
        from_v2 = limit * behind + 2.0 * own
        lines.append(
            HumLine(
                order,
                order * seen.mains_hz,
                math.sqrt(max(raw - behind - own, 0.0)),
                math.sqrt(behind / 2.0 / seen.records),
                math.sqrt(behind),
                math.sqrt(from_v2),
                raw <= from_v2,
            )
        )
    return tuple(lines)
