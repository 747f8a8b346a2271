"""Sums over evenly spaced samples against a tone and its harmonics, taken row by row: what makes the joint fit
quick.

A record of n samples is folded into rows of 256. The cosines and sines of one row serve all rows, each turned by
the phase of its middle; about that middle cosines are even and sines odd, so half a row is enough of either. The
normal matrix needs no samples at all, its sums being the Dirichlet kernel in time centred on the record, where
cosines and sines decouple.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

ROW = 256
HALF = ROW // 2
PLACES = np.arange(HALF) + 0.5  # of the later half of a row, from its middle


@dataclass(frozen=True)
class Folded:
    """Samples folded into rows, of one record or of several of one length.

    rows: shape (..., ceil(n/256), 256), the last one padded with zeros; even, odd: shape (..., ceil(n/256), 128),
    the later half plus and minus the earlier one, from the middle outwards; samples: n.
    """

    rows: Real
    even: Real
    odd: Real
    samples: int

    @staticmethod
    def of(volts: Real) -> Folded:
        """volts: shape (..., n)."""
        *several, samples = volts.shape
        padded = np.zeros((*several, -(-samples // ROW) * ROW))
        padded[..., :samples] = volts
        rows = padded.reshape(*several, -1, ROW)
        later, earlier = rows[..., HALF:], rows[..., HALF - 1 :: -1]
        return Folded(rows, later + earlier, later - earlier, samples)

    @property
    def flat(self) -> Real:
        """shape (..., n): the samples themselves."""
        return self.rows.reshape(*self.rows.shape[:-2], -1)[..., : self.samples]


@lru_cache(maxsize=8)
def harmonics_of(theta: float, samples: int, harmonics: int) -> Harmonics:
    """The same one for all cycles of a burst: what it holds depends on these three alone."""
    return Harmonics(theta, samples, harmonics)


class Harmonics:
    """cos and sin of k theta (i - c), k = 0..K, i = 0..n-1, c the middle of the record; theta in rad per sample."""

    def __init__(self, theta: float, samples: int, harmonics: int) -> None:
        self.theta, self.samples, self.harmonics = theta, samples, harmonics
        within = powers(theta * PLACES, harmonics)  # (K+1, 128)
        self._cosine, self._sine = np.ascontiguousarray(within.real), np.ascontiguousarray(within.imag)
        self._starts = ROW * np.arange(-(-samples // ROW)) + ((ROW - samples) / 2.0)  # of rows' middles
        self._turn = np.ascontiguousarray(powers(theta * self._starts, harmonics).T)  # (rows, K+1)
        self._kernel = dirichlet(theta, samples, 2 * harmonics)
        near, far = self._near_and_far(self._kernel)
        # Inverses: one serves all cycles of a burst, and from one cycle on both are well determined.
        self._cosines = np.linalg.inv((near + far) / 2.0)
        self._sines = np.linalg.inv(((near - far) / 2.0)[1:, 1:])

    def sums(self, folded: Folded) -> Complex:
        """shape (..., K+1): sum of y_i exp(j k theta (i - c))."""
        parts = _by_rows(folded.even, self._cosine) + 1j * _by_rows(folded.odd, self._sine)
        total: Complex = (parts * self._turn).sum(axis=-2)
        return total

    def sums_and_moments(self, folded: Folded) -> tuple[Complex, Complex]:
        """shape (..., K+1) each: `sums`, and those of (i - c) y_i."""
        half = self.harmonics + 1
        even = _by_rows(folded.even, np.concatenate([self._cosine, PLACES * self._sine]))
        odd = _by_rows(folded.odd, np.concatenate([self._sine, PLACES * self._cosine]))
        plain = (even[..., :half] + 1j * odd[..., :half]) * self._turn
        inner = (odd[..., half:] + 1j * even[..., half:]) * self._turn
        return plain.sum(axis=-2), (self._starts[:, None] * plain + inner).sum(axis=-2)

    def wave(self, phasors: Complex) -> Real:
        """shape (..., n): real part of the sum of phasors_k exp(j k theta (i - c)); phasors: shape (..., K+1)."""
        turned = self._turn * phasors[..., None, :]
        even, odd = _by_rows(turned.real, self._cosine.T), _by_rows(turned.imag, self._sine.T)
        rows = np.empty((*turned.shape[:-1], ROW))
        np.subtract(even, odd, out=rows[..., HALF:])
        np.add(even, odd, out=rows[..., HALF - 1 :: -1])
        volts: Real = rows.reshape(*rows.shape[:-2], -1)[..., : self.samples]
        return volts

    def solve(self, sums: Complex) -> Complex:
        """Least-squares phasors about the middle (the zeroth real), shape of `sums`."""
        phasors = (sums.real @ self._cosines).astype(np.complex128)
        phasors[..., 1:] -= 1j * (sums.imag[..., 1:] @ self._sines)
        return phasors

    def correction(self, folded: Folded) -> float:
        """One Gauss-Newton correction of theta, rad per sample: the slope's part that the other columns cannot
        explain, against the samples. nan where nothing is left of it.

        The slope is the wave of j k phasor_k, times (i - c). Its sums with itself and with the columns need no
        samples: they are the kernel's first two derivatives.
        """
        sums, moments = self.sums_and_moments(folded)
        phasors = self.solve(sums)
        turned = 1j * np.arange(self.harmonics + 1) * phasors
        once, twice = _derivatives(self.theta, self.samples, self._kernel)
        near, far = self._near_and_far(twice)
        square = 0.5 * float((turned @ far @ turned + turned @ near @ turned.conj()).real)
        near, far = self._near_and_far(once)
        orders = np.arange(self.harmonics + 1)
        slope_sums = 0.5j * (far @ turned + (near * np.sign(orders[:, None] - orders)) @ turned.conj())
        explained = self.solve(slope_sums)
        own = square - dot(explained, slope_sums)
        if own <= 0.0:
            return math.nan
        return (float((turned @ moments).real) - dot(phasors, slope_sums)) / own

    def _near_and_far(self, kernel: Real) -> tuple[Real, Real]:
        """shape (K+1, K+1) each: the kernel at |k - m| and at k + m."""
        orders = np.arange(self.harmonics + 1)
        return kernel[np.abs(orders[:, None] - orders)], kernel[orders[:, None] + orders]


def dot(phasors: Complex, sums: Complex) -> float:
    """Inner product of the wave of `phasors` with the samples behind `sums`."""
    return float(phasors.real @ sums.real - phasors.imag @ sums.imag)


def _by_rows(rows: Real, columns: Real) -> Real:
    """shape (..., m): each row against the rows of columns, shape (m, length of a row)."""
    flat: Real = rows.reshape(-1, rows.shape[-1]) @ columns.T
    return flat.reshape(*rows.shape[:-1], -1)


def powers(angles: NDArray[np.floating[Any]], most: int) -> Complex:
    """shape (most+1, n): exp(j k angles), k = 0..most, by multiplication: a power from those of half its order."""
    found = np.ones((most + 1, angles.size), dtype=np.complex128)
    found[1:2] = np.exp(1j * angles)
    known = 1
    while known < most:
        more = min(known, most - known)
        np.multiply(found[1 : more + 1], found[known], out=found[known + 1 : known + more + 1])
        known += more
    return found


def dirichlet(theta: float, samples: int, most: int) -> Real:
    """shape (most+1,): sum over i of cos(m theta (i - c)) = sin(n m theta/2) / sin(m theta/2)."""
    half = np.arange(1, most + 1) * theta / 2.0
    kernel = np.empty(most + 1)
    kernel[0] = samples
    kernel[1:] = np.sin(samples * half) / np.sin(half)
    return kernel


def _derivatives(theta: float, samples: int, kernel: Real) -> tuple[Real, Real]:
    """shape (most+1,) each: sums over i of t sin(m theta t) and of t^2 cos(m theta t), t = i - c.

    With x = m theta/2 and D the kernel: -D'/2 and -D''/4, D' = n cos(n x)/sin x - D cot x, D'' = (1 - n^2) D - 2 D'
    cot x.
    """
    half = np.arange(1, kernel.size) * theta / 2.0
    cotangent = 1.0 / np.tan(half)
    slope = samples * np.cos(samples * half) / np.sin(half) - kernel[1:] * cotangent
    bend = (1.0 - float(samples) ** 2) * kernel[1:] - 2.0 * slope * cotangent
    once, twice = np.zeros(kernel.size), np.empty(kernel.size)
    once[1:] = -slope / 2.0
    twice[0] = samples * (float(samples) ** 2 - 1.0) / 12.0
    twice[1:] = -bend / 4.0
    return once, twice


def spacing_s(times_s: Real) -> float:
    """s between samples.

    ValueError unless they are evenly spaced (to 1e-6 of the spacing) and at least two.
    """
    if times_s.size < 2:
        raise ValueError("at least two samples are needed")
    dt = float(times_s[-1] - times_s[0]) / (times_s.size - 1)
    if dt <= 0.0 or not math.isfinite(dt):
        raise ValueError("times must rise")
    away = np.abs(np.diff(times_s) - dt).max()
    if away > 1e-6 * dt + 1e-12 * float(np.abs(times_s[[0, -1]]).max()):
        raise ValueError("samples are not evenly spaced")
    return dt
