"""Amplifiers on paper for the level search: distortion and gain over drive, read with noise. 0 dB of drive is the
level at which a hard clip would begin; levels are dB re 1 Vrms.

Curves are FFTs of the wave itself (numpy), so nothing of the project's own arithmetic stands behind them. The spreads
are invented for the tests: log-uniform noise and floors, a warm-up that settles, clips of every edge. That a rail
sags under the mean of |i|, that warm-up is exponential and that a limiter has a ratio: common practice, no source.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import numpy as np
from numpy.typing import NDArray

from sequencer.measurements.search_model import Reading

Wave = NDArray[np.float64]
Shape = Callable[[Wave], Wave]  # rows of drive (crest 1 = onset) to rows of output

PLAIN = ("hard clip", "sag", "soft-edged", "one-sided", "crossover", "8-bit floor", "drift", "hysteresis")
OTHERS = (
    "limiter", "protection below", "protection just above", "never below", "floor above", "ceiling", "very soft",
    "fold-back", "crossover, hardly below",
)  # fmt: skip
PER_CYCLE = 512
HARMONICS = 20
LIMIT = 0.01
GRID_DB = np.concatenate([np.arange(-34.0, -4.0, 0.25), np.arange(-4.0, 12.0, 0.02)])
GAIN_DB = 26.0


def thd_and_fundamental(waves: Wave, cycles: int) -> tuple[Wave, Wave]:
    """THD(F) of harmonics 2 to 20 and the fundamental's crest, per row of whole cycles, by numpy's FFT."""
    lines = np.abs(np.fft.rfft(waves, axis=-1))[..., :: cycles or 1] * 2.0 / waves.shape[-1]
    fundamental = lines[..., 1]
    return np.sqrt(np.sum(lines[..., 2 : HARMONICS + 1] ** 2, axis=-1)) / fundamental, fundamental


@dataclass(frozen=True)
class Curve:
    """Distortion (ratio) and gain (dB re small drive) over drive (dB re onset)."""

    drive_db: list[float]
    thd: list[float]
    gain_db: list[float]

    def at(self, drive_db: float) -> tuple[float, float]:
        i = min(max(bisect_right(self.drive_db, drive_db) - 1, 0), len(self.drive_db) - 2)
        share = (drive_db - self.drive_db[i]) / (self.drive_db[i + 1] - self.drive_db[i])
        thd = self.thd[i] + share * (self.thd[i + 1] - self.thd[i])
        return max(thd, 0.0), self.gain_db[i] + share * (self.gain_db[i + 1] - self.gain_db[i])

    def crossing_db(self, limit: float) -> float:
        """Drive at the upper end of the highest stretch within the limit; NaN where there is none."""
        for i in range(len(self.thd) - 2, -1, -1):
            low, high = self.thd[i], self.thd[i + 1]
            if low <= limit < high:
                return self.drive_db[i] + (limit - low) / (high - low) * (self.drive_db[i + 1] - self.drive_db[i])
        return math.nan


def curve_of(shape: Shape) -> Curve:
    angle = (np.arange(PER_CYCLE) + 0.5) * 2.0 * np.pi / PER_CYCLE
    amplitude = 10.0 ** (GRID_DB / 20.0)
    thd, fundamental = thd_and_fundamental(shape(amplitude[:, None] * np.sin(angle)), 1)
    return Curve(GRID_DB.tolist(), thd.tolist(), (20.0 * np.log10(fundamental / amplitude)).tolist())


def hard(drive: Wave) -> Wave:
    return np.clip(drive, -1.0, 1.0)


def one_sided(drive: Wave) -> Wave:
    return np.minimum(drive, 1.0)


def soft(power: float) -> Shape:
    """x / (1 + |x|^p)^(1/p): the higher p, the harder the edge."""
    return lambda drive: drive / (1.0 + np.abs(drive) ** power) ** (1.0 / power)


def uneven(upper: float) -> Shape:
    """Two rails that differ: the lower half clips at 1, the upper one a little later."""
    return lambda drive: np.clip(drive, -1.0, upper)


def sagging(rho: float) -> Shape:
    """A rail that falls with the mean of |output|: (1 + rho) without load, 1 where the clip begins."""

    def clip(drive: Wave) -> Wave:
        rail = np.ones((*drive.shape[:-1], 1))
        for _ in range(16):  # a contraction: each turn shrinks the error by less than 0.48 of the clip's share
            mean = np.mean(np.abs(np.clip(drive, -rail, rail)), axis=-1, keepdims=True) * np.pi / 2.0
            rail = 1.0 + rho - rho * mean
        return np.clip(drive, -rail, rail)

    return clip


def dead_zone(width: float) -> Shape:
    """Crossover: the first `width` of the drive is lost, then a hard clip."""
    return lambda drive: np.clip(np.sign(drive) * np.maximum(np.abs(drive) - width, 0.0), -1.0, 1.0)


@cache
def hard_curve() -> Curve:
    return curve_of(hard)


@cache
def shaped(kind: str, index: int) -> tuple[Shape, Curve]:
    """One of a few dozen shapes of a kind: drawn once, shared by many units."""
    rng = np.random.default_rng([7, index, sum(kind.encode())])
    if kind == "sag":
        shape = sagging(rng.uniform(0.02, 0.48))
    elif kind == "soft-edged":
        shape = (
            soft(math.exp(rng.uniform(math.log(9.0), math.log(70.0))))
            if index % 4
            else uneven(1.0 + 0.04 * rng.random())
        )
    elif kind == "one-sided":
        shape = one_sided
    elif kind == "crossover":
        shape = dead_zone(math.exp(rng.uniform(math.log(0.0004), math.log(0.0158))))  # within 1 % for 1 dB or more
    elif kind == "crossover, hardly below":
        shape = dead_zone(rng.uniform(0.0158, 0.02))
    elif kind == "very soft":
        shape = np.tanh if index % 8 == 0 else soft(rng.uniform(2.0, 6.0))
    else:
        shape = hard
    return shape, hard_curve() if shape is hard else curve_of(shape)


@dataclass
class Unit:
    """One amplifier: fires give readings, and its state moves with them."""

    kind: str
    knee_db: float
    curve: Curve
    floor: float
    noise: float  # reading's own, relative
    rng: np.random.Generator
    settles_db: float = 0.0  # warm-up: the knee moves by this in the end
    settles_shots: float = 1.0
    after_overload_db: float = 0.0
    steeper: float = 1.0
    trip_db: float = math.inf
    limiter: tuple[float, float] | None = None  # (level re knee, ratio)
    least: float = 0.0  # distortion at any level
    even: bool = False
    fired: int = 0
    overloaded: bool = False
    _crossing: dict[float, float] = field(default_factory=dict)

    def moved_db(self) -> float:
        shift = self.settles_db * (1.0 - math.exp(-self.fired / self.settles_shots))
        return shift - (self.after_overload_db if self.overloaded else 0.0)

    def crossing_db(self, limit: float) -> float:
        """The level of the limit as the unit is at this moment."""
        if limit not in self._crossing:
            at = self.curve.crossing_db(limit)
            self._crossing[limit] = at / self.steeper if at > 0 else at
        return self.knee_db + self._crossing[limit] + self.moved_db()

    def forget(self) -> None:
        self._crossing.clear()

    def drive_db(self, level_db: float) -> float:
        drive = level_db - self.knee_db - self.moved_db()
        return drive * self.steeper if drive > 0 else drive

    def true(self, level_db: float) -> tuple[float, float]:
        """(THD ratio, output in dB) without noise."""
        level = level_db
        if self.limiter is not None:
            threshold, ratio = self.knee_db + self.limiter[0], self.limiter[1]
            level = min(level, threshold + max(level - threshold, 0.0) / ratio)
        thd, gain = self.curve.at(self.drive_db(level))
        return math.hypot(thd, self.least), level + GAIN_DB + gain

    def fire(self, level_db: float) -> Reading:
        thd, output = self.true(level_db)
        gone = level_db >= self.trip_db
        reading = self._read(level_db, thd, output) if not gone else _gone(level_db)
        self.fired += 1
        self.overloaded = thd > LIMIT
        return reading

    def _read(self, level_db: float, thd: float, output_db: float) -> Reading:
        """19 harmonics: 38 components of floor noise, one along the harmonic that is there; and noise of its own."""
        each = self.floor / math.sqrt(38.0)
        along = thd + each * self.rng.standard_normal()
        seen = math.sqrt(along**2 + each**2 * self.rng.chisquare(37)) * (1.0 + self.noise * self.rng.standard_normal())
        sigma = math.hypot(each, self.noise * seen)
        output = output_db + 0.002 * self.rng.standard_normal()
        return Reading(level_db, seen, self.floor, sigma, output, even=self.even)


def _gone(level_db: float) -> Reading:
    return Reading(level_db, 9.99, 9.99, 1.0, -80.0, output_gone=True)


SHAPES = {"sag": 30, "soft-edged": 30, "crossover": 40, "very soft": 24, "crossover, hardly below": 24}


def unit(kind: str, seed: int) -> Unit:
    """The seeded unit of that kind; the same for every way of searching it."""
    rng = np.random.default_rng([11, seed, sum(kind.encode())])
    index = seed % SHAPES.get(kind, 1)
    floor = math.exp(rng.uniform(math.log(5e-5), math.log(1e-3)))
    noise = math.exp(rng.uniform(math.log(5e-4), math.log(8e-3)))
    _, curve = shaped(kind, index)
    one = Unit(kind, float(rng.uniform(-12.0, 12.0)), curve, floor, noise, rng)
    _special(one, rng)
    return one


def _special(one: Unit, rng: np.random.Generator) -> None:
    crossing = one.crossing_db(LIMIT)
    if one.kind == "8-bit floor":
        one.floor = rng.uniform(0.0025, 0.0055)
    elif one.kind == "drift":
        one.settles_db = rng.choice([-1.0, 1.0]) * rng.uniform(0.03, 0.2)
        one.settles_shots = rng.uniform(5.0, 25.0)
    elif one.kind == "hysteresis":
        one.after_overload_db = rng.uniform(0.02, 0.16)
    elif one.kind == "limiter":
        ratio = rng.uniform(4.0, 30.0)
        one.limiter = (-rng.uniform(6.0 / ratio, 5.0), ratio)
    elif one.kind == "protection below":
        one.trip_db = crossing - rng.uniform(0.3, 8.0)
    elif one.kind == "protection just above":
        one.trip_db = crossing + rng.uniform(0.02, 0.6)
    elif one.kind == "never below":
        one.least = LIMIT * rng.uniform(1.2, 4.0)
    elif one.kind == "floor above":
        one.floor = LIMIT * rng.uniform(1.1, 4.0)
    elif one.kind == "fold-back":
        one.steeper = rng.uniform(3.0, 6.0)
    one.even = one.kind == "one-sided"
    one.forget()
