"""Sums over evenly spaced samples against a tone and its harmonics, taken row by row: what makes the joint fit
quick.

A record of n samples is folded into rows of 256. The cosines and sines of one row serve all rows, each turned by
the phase of its middle. The normal matrix needs no samples at all, its sums being the Dirichlet kernel in time
centred on the record, where cosines and sines decouple.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

ROW = 256
PLACES = np.arange(ROW) - (ROW - 1) / 2.0  # within a row, from its middle


@dataclass(frozen=True)
class Folded:
    """Samples folded into rows, of one record or of several of one length.

    rows: shape (..., ceil(n/256), 256), the last one padded with zeros; samples: n. Or packed: packing, shape (256, m),
    holds orthonormal columns, and rows, shape (ceil(n/256), m), their products with the samples.
    """

    rows: Real
    samples: int
    packing: Real | None = None

    @staticmethod
    def of(volts: Real) -> Folded:
        """volts: shape (n,)."""
        one = Folded.of_each([volts], volts.size)
        return Folded(one.rows[0], one.samples)

    @staticmethod
    def of_each(windows: Sequence[Real], samples: int) -> Folded:
        """windows: m of shape (samples,) each."""
        padded = np.empty((len(windows), -(-samples // ROW) * ROW))
        for row, volts in zip(padded, windows, strict=True):
            row[:samples] = volts
        padded[:, samples:] = 0.0
        return Folded(padded.reshape(len(windows), -1, ROW), samples)

    def packed(self, theta: float, harmonics: int) -> Folded:
        """For many sums at about the same theta, rad per sample; the same where rows would not become shorter."""
        packing = _packing(terms_for(theta, harmonics))
        return Folded(self.rows @ packing, self.samples, packing) if packing.shape[1] <= 2 * harmonics + 2 else self

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
        self._columns = _row_columns(theta, harmonics)
        self._starts = ROW * np.arange(-(-samples // ROW)) + ((ROW - samples) / 2.0)  # of rows' middles
        self._turn = np.ascontiguousarray(powers(theta * self._starts, harmonics).T)  # (rows, K+1)
        self._kernel = dirichlet(theta, samples, 2 * harmonics)
        near, far = self._near_and_far(self._kernel)
        self._cosines, self._sines = (near + far) / 2.0, ((near - far) / 2.0)[1:, 1:]

    def sums(self, folded: Folded) -> Complex:
        """shape (..., K+1): sum of y_i exp(j k theta (i - c))."""
        total: Complex = np.einsum("...rk,rk->...k", _by_rows(folded.rows, self._columns), self._turn)
        return total

    def sums_and_moments(self, folded: Folded) -> tuple[Complex, Complex]:
        """shape (K+1,) each: `sums` of one record, and those of (i - c) y_i."""
        columns = np.concatenate([self._columns, PLACES[:, None] * self._columns], axis=1)
        both = _by_rows(folded.rows, columns if folded.packing is None else folded.packing.T @ columns)
        plain, inner = both[:, : self.harmonics + 1] * self._turn, both[:, self.harmonics + 1 :] * self._turn
        return plain.sum(axis=0), self._starts @ plain + inner.sum(axis=0)

    def wave(self, phasors: Complex) -> Real:
        """shape (..., n): real part of the sum of phasors_k exp(j k theta (i - c)); phasors: shape (..., K+1)."""
        turned = self._turn * phasors[..., None, :]
        rows = turned.conj().view(np.float64) @ self._columns.T
        volts: Real = rows.reshape(*rows.shape[:-2], -1)[..., : self.samples]
        return volts

    def solve(self, sums: Complex) -> Complex:
        """Least-squares phasors about the middle (the zeroth real), shape of `sums`."""
        phasors: Complex = np.linalg.solve(self._cosines, sums.real.T).T.astype(np.complex128)
        phasors[..., 1:] -= 1j * np.linalg.solve(self._sines, sums.imag[..., 1:].T).T
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
        own = square - float(dot(explained, slope_sums))
        if own <= 0.0:
            return math.nan
        return (float((turned @ moments).real) - float(dot(phasors, slope_sums))) / own

    def _near_and_far(self, kernel: Real) -> tuple[Real, Real]:
        """shape (K+1, K+1) each: the kernel at |k - m| and at k + m."""
        orders = np.arange(self.harmonics + 1)
        return kernel[np.abs(orders[:, None] - orders)], kernel[orders[:, None] + orders]


def dot(phasors: Complex, sums: Complex) -> Real:
    """Inner product of the wave of `phasors` with the samples behind `sums`, over the last axis."""
    product: Real = (phasors * sums).real.sum(axis=-1)
    return product


def _by_rows(rows: Real, columns: Real) -> Complex:
    """shape (..., m): each row against the columns, shape (length of a row, 2m), taken as m complex ones."""
    flat = rows.reshape(-1, len(columns)) @ columns
    return flat.view(np.complex128).reshape(*rows.shape[:-1], -1)


def terms_for(theta: float, harmonics: int) -> int:
    """How many polynomials hold, over a row, every wave up to that harmonic, and its product with time, to 1e-14.

    Their coefficients fall like Bessel functions of order n at x, the phase from a row's middle to its end: at once
    from about n = x + 7 x^(1/3) on (measured with x from 0.5 to 80).
    """
    x = harmonics * theta * ROW / 2.0
    return math.ceil(x + 12.0 + 7.0 * math.cbrt(x))


@lru_cache(maxsize=4)
def _row_columns(theta: float, harmonics: int) -> Real:
    """shape (256, 2K+2): cosine and sine of every k side by side, so that products are complex numbers as they come."""
    return np.ascontiguousarray(powers(theta * PLACES, harmonics).T).view(np.float64)


@lru_cache(maxsize=4)
def _packing(terms: int) -> Real:
    """shape (256, m), m at most 256: polynomials of rising degree, orthonormal on the places of a row, by multiplying
    the last one with time and taking off its share in all others, twice for rounding's sake (Lanczos)."""
    columns = np.full((ROW, min(terms, ROW)), 1.0 / math.sqrt(ROW))
    for j in range(1, columns.shape[1]):
        known, column = columns[:, :j], PLACES / PLACES[-1] * columns[:, j - 1]
        for _ in range(2):
            column -= known @ (known.T @ column)
        columns[:, j] = column / np.linalg.norm(column)
    return columns


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
