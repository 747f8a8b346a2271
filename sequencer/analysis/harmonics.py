"""A tone with its harmonics, by least squares: the one estimator that distortion, power and twin rest on.

Model: y(t) = offset + Re sum over k = 1..K of phasor_k exp(j 2 pi k f t). No window and no whole number of cycles
is needed; the record must hold about one cycle (0.98 of it costs 3 % in noise, 0.90 a factor of 23).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sequencer.analysis.folded import ROW, Complex, Folded, Harmonics, Real, dot, harmonics_of, powers, spacing_s

FREQUENCY_ROUNDS = 12
SETTLED_RAD = 1e-9  # change of phase over the record below which the frequency is at rest
SLOW = 0.5  # of the change before: what does not shrink by more is not yet close to rest
CANCELLED = 1e-8  # of the samples' squares: a smaller rest than this is not to be had as a difference
LOST_RAD = 0.75 * math.pi  # a correction this large means the start lay outside the well


@dataclass(frozen=True)
class HarmonicFit:
    """Least-squares fit of a tone. phasors: complex, shape (K,), peak volts, at time zero of the times handed in.

    frequency_hz: Hz; offset_v: V; residual_rms_v: V, sum of squares over samples less unknowns (the noise's own
    size, harmonics above K included); samples: n.
    """

    frequency_hz: float
    offset_v: float
    phasors: NDArray[np.complex128]
    residual_rms_v: float
    samples: int

    @property
    def harmonics(self) -> int:
        """K, the highest harmonic fitted."""
        return int(self.phasors.size)

    @property
    def amplitude_v(self) -> float:
        """Peak volts of the fundamental."""
        return float(abs(self.phasors[0]))

    @property
    def fundamental_rms_v(self) -> float:
        """Vrms of the fundamental."""
        return self.amplitude_v / math.sqrt(2.0)

    @property
    def harmonic_rms(self) -> Real:
        """Vrms of each harmonic, shape (K,), the fundamental first."""
        rms: Real = np.abs(self.phasors) / math.sqrt(2.0)
        return rms

    @property
    def distortion_rms_v(self) -> float:
        """Vrms of harmonics 2..K together."""
        return float(np.linalg.norm(self.phasors[1:])) / math.sqrt(2.0)

    @property
    def thd_f(self) -> float:
        """Ratio of harmonics 2..K to the fundamental, THD(F). Raw: the noise's share is in it.

        0 without a fundamental.
        """
        return self.distortion_rms_v / self.fundamental_rms_v if self.amplitude_v > 0.0 else 0.0

    @property
    def thd_r(self) -> float:
        """Ratio of harmonics 2..K to the rms of all, THD(R)."""
        return self.thd_f / math.sqrt(1.0 + self.thd_f**2)

    def wave(self, times_s: Real) -> Real:
        """The fitted volts, shape of times_s, which must be evenly spaced."""
        turn = 2.0 * np.pi * self.frequency_hz
        within = powers(turn * spacing_s(times_s) * np.arange(ROW), self.harmonics)[1:]
        heads = self.phasors * powers(turn * times_s[::ROW], self.harmonics)[1:].T
        rows = heads.real @ within.real - heads.imag @ within.imag
        volts: Real = rows.reshape(-1)[: times_s.size] + self.offset_v
        return volts


def harmonics_in_band(frequency_hz: float, wanted: int, band_hz: tuple[float, float]) -> int:
    """K cut to the band: the highest harmonic, at most `wanted`, that is not above the band's upper edge.

    At least 1. An edge within a millionth of a harmonic counts as in: 20 kHz holds the 20th of 1 kHz.
    """
    return max(1, min(wanted, math.floor(band_hz[1] / frequency_hz * (1.0 + 1e-6))))


def fit_harmonics(
    volts: Real, times_s: Real, frequency_hz: float, harmonics: int = 20, *, solve_frequency: bool = False
) -> HarmonicFit:
    """Joint least squares of offset, fundamental and harmonics 2..K, and of the frequency where asked.

    volts, times_s: shape (n,), V and s, evenly spaced. The frequency is found by Gauss-Newton from `frequency_hz`,
    which must lie within a quarter of a cycle over the record. ValueError: too few samples (n < 2K + 3), K f at or
    above half the sample rate, uneven samples, or a frequency that does not come to rest.
    """
    dt = spacing_s(times_s)
    return fit_even(volts, float(times_s[0]), dt, frequency_hz, harmonics, solve_frequency=solve_frequency)


def fit_even(
    volts: Real, start_s: float, dt: float, frequency_hz: float, harmonics: int, *, solve_frequency: bool = False
) -> HarmonicFit:
    """`fit_harmonics` of samples dt s apart, the first at start_s. ValueError as there."""
    if not solve_frequency:
        return fit_each([volts], [start_s], dt, frequency_hz, harmonics)[0]
    hz = frequency_of_even(volts, dt, frequency_hz, harmonics)
    return _fitted([volts], [start_s], dt, hz, 2 * harmonics + 2, harmonics)[0]


def fit_each(
    windows: Sequence[Real], starts_s: Sequence[float], dt: float, frequency_hz: float, harmonics: int
) -> tuple[HarmonicFit, ...]:
    """As `fit_even`, at a known frequency, for windows of one length at once: m of shape (n,), V; starts_s: m."""
    _refuse(windows[0].size, frequency_hz, dt, harmonics)
    return _fitted(windows, starts_s, dt, frequency_hz, 2 * harmonics + 1, harmonics)


def fit_and_rest(
    volts: Real, start_s: float, dt: float, frequency_hz: float, harmonics: int
) -> tuple[HarmonicFit, Real]:
    """`fit_even` at a known frequency, and the samples less the fitted wave, shape (n,), V."""
    _refuse(volts.size, frequency_hz, dt, harmonics)
    folded = Folded.of(volts)
    basis = harmonics_of(2.0 * math.pi * frequency_hz * dt, volts.size, harmonics)
    centred = basis.solve(basis.sums(folded))
    left = volts - basis.wave(centred)
    squares = np.array([float(left @ left)])
    fit = _told(centred[None, :], squares, [start_s], (dt, frequency_hz, volts.size, 2 * harmonics + 1))[0]
    return fit, left


def _fitted(
    windows: Sequence[Real], starts_s: Sequence[float], dt: float, hz: float, unknowns: int, harmonics: int
) -> tuple[HarmonicFit, ...]:
    folded = Folded.of_each(windows, windows[0].size)
    basis = harmonics_of(2.0 * math.pi * hz * dt, folded.samples, harmonics)
    sums = basis.sums(folded)
    centred = basis.solve(sums)
    squares = _rest_squares(folded.flat, basis, centred, sums)
    return _told(centred, squares, starts_s, (dt, hz, folded.samples, unknowns))


def _rest_squares(volts: Real, basis: Harmonics, centred: Complex, sums: Complex) -> Real:
    """shape (m,), V^2: sum of squares of what the fit leaves. By Pythagoras, the rest being at right angles to the
    fit, unless so little is left that rounding would show."""
    whole: Real = np.einsum("ij,ij->i", volts, volts)
    squares: Real = whole - dot(centred, sums)
    for i in np.flatnonzero(squares < CANCELLED * whole):
        left = volts[i] - basis.wave(centred[i])
        squares[i] = left @ left
    return squares


def _told(
    centred: Complex, squares: Real, starts_s: Sequence[float], of: tuple[float, float, int, int]
) -> tuple[HarmonicFit, ...]:
    """of: s between samples, Hz, samples, unknowns. Phasors are turned from the middle of each window to time zero."""
    dt, hz, samples, unknowns = of
    rms_v = np.sqrt(squares / (samples - unknowns))
    middles_s = np.asarray(starts_s) + dt * (samples - 1) / 2.0
    phasors = centred[:, 1:] * np.exp(-2j * np.pi * hz * middles_s[:, None] * np.arange(1, centred.shape[1]))
    return tuple(
        HarmonicFit(hz, float(mean_v), own, float(rms), samples)
        for mean_v, own, rms in zip(centred[:, 0].real, phasors, rms_v, strict=True)
    )


def frequency_of_even(volts: Real, dt: float, frequency_hz: float, harmonics: int) -> float:
    """Hz: the joint fit's frequency alone. ValueError as `fit_harmonics`."""
    _refuse(volts.size, frequency_hz, dt, harmonics)
    theta = 2.0 * math.pi * frequency_hz * dt
    return _settled(Folded.of(volts), theta, harmonics) / (2.0 * math.pi * dt)


def _refuse(samples: int, frequency_hz: float, dt: float, harmonics: int) -> None:
    if samples < 2 * harmonics + 3:
        raise ValueError(f"{samples} samples are too few for {harmonics} harmonics")
    if not 0.0 < harmonics * frequency_hz * dt < 0.5:
        raise ValueError(f"harmonic {harmonics} of {frequency_hz} Hz lies at or above half the sample rate")


def _settled(folded: Folded, theta: float, harmonics: int) -> float:
    """rad per sample at which the sum of squares is least, by Gauss-Newton with the linear unknowns eliminated.

    The next change is at most the share of this one that this one is of the last: where that is below what counts as
    rest, it is not worked out.
    """
    folded = folded.packed(theta, harmonics)
    before = 0.0
    for _ in range(FREQUENCY_ROUNDS):
        change = Harmonics(theta, folded.samples, harmonics).correction(folded)
        if abs(change) * folded.samples > LOST_RAD or not math.isfinite(change):
            raise ValueError("the frequency does not come to rest: the start is too far off, or there is no tone")
        theta += change
        if not 0.0 < theta * harmonics < math.pi:
            raise ValueError("the frequency ran out of range")
        share = abs(change) / before if abs(change) < SLOW * before else 1.0
        if abs(change) * share * folded.samples < SETTLED_RAD:
            return theta
        before = abs(change)
    raise ValueError("the frequency does not come to rest")
