"""Filters at a channel's input, driven by a sine: what stands, and what dies away, in closed form.

The whole chain x' = A x + B u, y = C x + D u with u = dc + a sin(w t + p) has X = Xp(t) + exp(A t)(X0 - Xp(0)), Xp the
steady response; exp(A t) by the eigenvalues of A.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import Samples
from simulators.world.signals import Wave

Matrix = npt.NDArray[np.float64]
APART = 1e-6  # corners are set this much apart, one after another, so that no two poles coincide


@dataclass(frozen=True)
class Chain:
    """State space of the filters in series. Shapes (n, n), (n,), (n,), scalar."""

    a: Matrix
    b: Matrix
    c: Matrix
    d: float

    def then(self, other: Chain) -> Chain:
        """This one, and behind it the other."""
        n, m = len(self.b), len(other.b)
        a = np.zeros((n + m, n + m))
        a[:n, :n], a[n:, n:], a[n:, :n] = self.a, other.a, np.outer(other.b, self.c)
        return Chain(
            a,
            np.concatenate((self.b, other.b * self.d)),
            np.concatenate((other.d * self.c, other.c)),
            other.d * self.d,
        )


def second_order(corner_hz: float, q: float, low: float, band: float, high: float) -> Chain:
    """(low w^2 + band s w / q + high s^2) / (s^2 + s w / q + w^2)."""
    w, q = 2.0 * math.pi * corner_hz, q * (1.0 + APART) if abs(q - 0.5) < APART else q
    a = np.array([[0.0, w], [-w, -w / q]])
    return Chain(a, np.array([0.0, w]), np.array([low - high, (band - high) / q]), high)


def first_order_highpass(corner_hz: float) -> Chain:
    """s / (s + w)."""
    w = 2.0 * math.pi * corner_hz
    return Chain(np.array([[-w]]), np.array([w]), np.array([-1.0]), 1.0)


@lru_cache(maxsize=64)
def chain_of(channel: ChannelTruth) -> Chain:
    """Coupling, subsonic, boost, low-pass, as far as fitted."""
    chain = Chain(np.zeros((0, 0)), np.zeros(0), np.zeros(0), 1.0)
    truth = channel.network
    if channel.coupling_hz:
        chain = chain.then(first_order_highpass(channel.coupling_hz))
    if truth is None:
        return chain
    if truth.subsonic_hz:
        chain = chain.then(second_order(truth.subsonic_hz * (1.0 + APART), truth.subsonic_q, 0.0, 0.0, 1.0))
    if truth.boost_hz:
        gain = 10.0 ** (truth.boost_db / 20.0)
        chain = chain.then(second_order(truth.boost_hz * (1.0 + 2.0 * APART), truth.boost_q, 1.0, gain, 1.0))
    if truth.lowpass_hz:
        chain = chain.then(second_order(truth.lowpass_hz * (1.0 + 3.0 * APART), truth.lowpass_q, 1.0, 0.0, 0.0))
    return chain


class Filtered:
    """A wave behind a chain that holds `start` (its states; empty = at rest). Of two sines each stands for itself."""

    def __init__(self, channel: ChannelTruth, wave: Wave, start: tuple[float, ...]) -> None:
        self._chain, self._wave = chain_of(channel), wave
        n = len(self._chain.b)
        begun = np.array(start) if len(start) == n else np.zeros(n)
        unit = np.eye(n)
        self._sines = (wave,) if wave.second is None else (wave, wave.second)
        self._turning = [
            np.linalg.solve(1j * one.omega * unit - self._chain.a, self._chain.b * _phasor(one)) if n else begun
            for one in self._sines
        ]
        self._standing = np.linalg.solve(-self._chain.a, self._chain.b * wave.dc_v) if n else begun
        self._rates, shapes = np.linalg.eig(self._chain.a)
        apart = begun - self._standing
        for turning in self._turning:
            apart = apart - np.imag(turning)
        self._modes = shapes * np.linalg.solve(shapes.astype(complex), apart.astype(complex)) if n else shapes

    @property
    def peak_v(self) -> float:
        """Of all sines together, once all else has died away."""
        return sum(float(abs(turn)) for _, turn in self._turns())

    def _turns(self) -> list[tuple[float, complex]]:
        """(omega, phasor behind the chain) of each sine."""
        return [
            (one.omega, complex(self._chain.c @ turning + self._chain.d * _phasor(one)))
            for one, turning in zip(self._sines, self._turning, strict=True)
        ]

    @property
    def dying(self) -> list[tuple[float, float]]:
        """(time constant in s, volts) of what dies away."""
        sizes = np.abs(self._chain.c @ self._modes) if len(self._rates) else np.zeros(0)
        return [(-1.0 / rate.real, float(size)) for rate, size in zip(self._rates, sizes, strict=True)]

    def volts(self, t_s: Samples) -> Samples:
        """Behind the chain."""
        dc = float(self._chain.c @ self._standing) + self._chain.d * self._wave.dc_v
        out = np.full(t_s.shape, dc)
        for omega, turn in self._turns():
            out = out + np.imag(turn * np.exp(1j * omega * t_s))
        for rate, size in zip(self._rates, self._chain.c @ self._modes, strict=True):
            if abs(size) > 1e-12:
                out = out + np.real(size * np.exp(rate * t_s))
        return np.asarray(out, dtype=np.float64)

    def states(self, t_s: float) -> tuple[float, ...]:
        """What the filters hold."""
        held = self._standing
        for one, turning in zip(self._sines, self._turning, strict=True):
            held = np.imag(turning * np.exp(1j * one.omega * t_s)) + held
        died = np.real(self._modes @ np.exp(self._rates * t_s)) if len(self._rates) else 0.0
        return tuple(float(x) for x in held + died)


def _phasor(wave: Wave) -> complex:
    """Of the first sine of a wave, at its start."""
    return complex(wave.peak_v * np.exp(1j * wave.phase_rad))
