"""What a unit must show, from closed forms and from plain arithmetic on its formula: the tests' own, independent of
simulators/.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Volts = NDArray[np.float64]
Shape = Callable[[Volts], Volts]

# Symmetrical hard clip: power at the THD(F) limit over that of the just unclipped sine, and the clip ratio there.
# Closed forms of the clipped sine's Fourier series; BANDED counts harmonics up to the 19th (20 kHz at 1 kHz),
# ALL_HARMONICS every one.
BANDED = {1.0: 1.0476998, 10.0: 1.2878470}
ALL_HARMONICS = {1.0: 1.0475059, 10.0: 1.2877619}
HARD_RATIO_1_PCT = 0.971360054
ONE_SIDED_RATIO_1_PCT = 0.963040147  # one-sided hard clip, 1 % THD(F) of the ac part, every harmonic
HARMONICS = 20
PER_CYCLE = 1000
SOURCE_OHM = 50.0  # of a function generator (common practice); level of the unloaded output is what it is set to


def rail_at_mid_last_cycle(volts: float, ohm: float, tau_s: float, cycles: int, frequency_hz: float) -> float:
    """Closed form of the rail under the mean class B current, at the middle of the last cycle. ohm: source over load
    resistance.

    |i| has mean 2/pi of its crest V/R, so V(t) = V0 - (V0 - Vend)(1 - exp(-t/tau')), Vend = V0/(1 + q), q = ohm
    (2/pi), tau' = tau/(1 + q).
    """
    q = ohm * (2 / math.pi)
    t = (cycles - 0.5) / frequency_hz
    end = volts / (1 + q)
    return volts - (volts - end) * (1 - math.exp(-t * (1 + q) / tau_s))


def sine(peak: float | Volts = 1.0, per_cycle: int = PER_CYCLE) -> Volts:
    """One cycle, at the middles of its samples."""
    angle = (np.arange(per_cycle) + 0.5) * 2.0 * np.pi / per_cycle
    return np.asarray(np.asarray(peak)[..., None] * np.sin(angle))


def thd(cycle: Volts) -> Volts:
    """THD(F) up to the 20th harmonic of whole cycles along the last axis (IEC 61000-4-7: rms of harmonics over the
    fundamental).
    """
    lines = np.abs(np.fft.rfft(cycle, axis=-1))
    return np.asarray(np.sqrt((lines[..., 2 : HARMONICS + 1] ** 2).sum(axis=-1)) / lines[..., 1])


def ac_mean_square(cycle: Volts) -> float:
    """Of one cycle, its mean taken away."""
    return float(np.var(cycle))


def crossing_peak(shape: Shape, limit: float, low: float, high: float) -> float:
    """Peak volts wanted of the output at which its THD reaches `limit`, by halving; THD must rise from low to high."""
    for _ in range(40):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if float(thd(shape(sine(middle)))) < limit else (low, middle)
    return low


def hard(positive_v: float, negative_v: float) -> Shape:
    return lambda wanted: np.clip(wanted, -negative_v, positive_v)


def soft(top_v: float, power: float) -> Shape:
    """x / (1 + |x/top|^p)^(1/p)."""
    return lambda wanted: wanted / (1.0 + np.abs(wanted / top_v) ** power) ** (1.0 / power)


@dataclass(frozen=True)
class Sag:
    """A rail tau dV/dt = V0 - ohm |v| - V with a hard clip at it. ohm: source over load resistance."""

    volts: float
    ohm: float
    tau_s: float
    cycles: int
    frequency_hz: float = 1000.0

    def last_cycle(self, peak_v: float, per_cycle: int = 400) -> Volts:
        """Walked sample by sample; the rail is exact for a current that stands still within a sample."""
        keep = math.exp(-1.0 / (self.frequency_hz * per_cycle * self.tau_s))
        wanted = sine(peak_v, per_cycle).tolist() * self.cycles
        rail, out = self.volts, []
        for v in wanted:
            out.append(min(max(v, -rail), rail))
            toward = self.volts - self.ohm * abs(out[-1])
            rail = toward + (rail - toward) * keep
        return np.array(out[-per_cycle:])

    def crossing_peak(self, limit: float) -> float:
        low, high = 0.7 * self.volts, 1.1 * self.volts
        for _ in range(14):  # 4 dB halved 14 times: 0.0003 dB
            middle = math.sqrt(low * high)
            low, high = (middle, high) if float(thd(self.last_cycle(middle))) < limit else (low, middle)
        return low


def level_at_unit(level_vrms: float, input_ohm: tuple[float, ...], level_error: float = 0.0) -> float:
    """Vrms at the unit's input when the generator is set to `level_vrms`: 50 ohm into the inputs in parallel (Ohm's
    law).
    """
    siemens = sum(1.0 / ohm for ohm in input_ohm)
    return level_vrms * (1.0 + level_error) / (1.0 + SOURCE_OHM * siemens)
