"""Sums over evenly spaced samples against a tone and its harmonics, taken row by row: what makes the joint fit
quick.

A record of n samples is folded into rows of 256. The cosines and sines of one row serve all rows, each turned by
the phase of its start; the normal matrix needs no samples at all, its sums being the Dirichlet kernel in time
centred on the record, where cosines and sines decouple.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]

ROW = 256


@dataclass(frozen=True)
class Folded:
    """Samples folded into rows.

    rows: shape (ceil(n/256), 256), the last one padded with zeros; samples: n.
    """

    rows: Real
    samples: int

    @staticmethod
    def of(volts: Real) -> Folded:
        rows = np.zeros((-(-volts.size // ROW), ROW))
        rows.reshape(-1)[: volts.size] = volts
        return Folded(rows, volts.size)

    @property
    def flat(self) -> Real:
        """shape (n,): the samples themselves."""
        return self.rows.reshape(-1)[: self.samples]


class Harmonics:
    """cos and sin of k theta (i - c), k = 0..K, i = 0..n-1, c the middle of the record; theta in rad per sample."""

    def __init__(self, theta: float, samples: int, harmonics: int) -> None:
        self.theta, self.samples, self.harmonics = theta, samples, harmonics
        orders = np.arange(harmonics + 1)
        within: Complex = np.ones((harmonics + 1, ROW), dtype=np.complex128)
        within[1:] = np.exp(1j * theta * np.arange(ROW))
        # powers by multiplication: 20 of them cost 1e-15 each
        within = np.cumprod(within, axis=0, dtype=np.complex128)
        self._row = np.concatenate([within.real, within.imag])  # (2K+2, 256)
        starts = ROW * np.arange(-(-samples // ROW)) - (samples - 1) / 2.0
        self._turn = np.exp(1j * theta * starts[:, None] * orders)  # (rows, K+1)

    def sums(self, folded: Folded) -> Complex:
        """shape (K+1,): sum of y_i exp(j k theta (i - c))."""
        parts = folded.rows @ self._row.T
        half = self.harmonics + 1
        total: Complex = ((parts[:, :half] + 1j * parts[:, half:]) * self._turn).sum(axis=0)
        return total

    def wave(self, phasors: Complex) -> Folded:
        """Real part of the sum of phasors_k exp(j k theta (i - c)), the padding zeroed; phasors: shape (K+1,)."""
        turned = self._turn * phasors
        rows = np.concatenate([turned.real, -turned.imag], axis=1) @ self._row
        rows.reshape(-1)[self.samples :] = 0.0
        return Folded(rows, self.samples)

    def solve(self, *sums: Complex) -> list[Complex]:
        """Least-squares phasors about the middle (shape (K+1,), the zeroth real) for each set of `sums`."""
        orders = np.arange(self.harmonics + 1)
        kernel = _dirichlet(self.theta, self.samples, 2 * self.harmonics)
        near = kernel[np.abs(orders[:, None] - orders)]
        far = kernel[orders[:, None] + orders]
        stacked = np.stack(sums, axis=1)
        cosines = np.linalg.solve((near + far) / 2.0, stacked.real)
        phasors = cosines.astype(np.complex128)
        if self.harmonics:
            phasors[1:] -= 1j * np.linalg.solve(((near - far) / 2.0)[1:, 1:], stacked.imag[1:])
        return [phasors[:, i] for i in range(len(sums))]


def dot(phasors: Complex, sums: Complex) -> float:
    """Inner product of the wave of `phasors` with the samples behind `sums`."""
    return float(phasors.real @ sums.real - phasors.imag @ sums.imag)


def _dirichlet(theta: float, samples: int, most: int) -> Real:
    """shape (most+1,): sum over i of cos(m theta (i - c)) = sin(n m theta/2) / sin(m theta/2)."""
    half = np.arange(1, most + 1) * theta / 2.0
    kernel = np.empty(most + 1)
    kernel[0] = samples
    kernel[1:] = np.sin(samples * half) / np.sin(half)
    return kernel


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
