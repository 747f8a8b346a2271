"""The rail inside a unit, from what it clips at after bursts of several lengths into several loads.

A source V0 behind R feeds a reservoir and, from it, class B stages: tau dV/dt = V0 - R i - V, and i, the mean of |v|/Z
over a cycle of a sine that just clips, is (2/pi) V times the sum of 1/Z of the channels. Its solution is an
exponential; the middle of the last cycle counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SOURCE_OHM = np.geomspace(0.02, 5.0, 240)
TAU_S = np.geomspace(0.001, 0.05, 40)


@dataclass(frozen=True)
class Knee:
    """What one burst clipped at. rail_v: crest, V; at_s: middle of its last cycle, s; siemens: 1/Z of all channels."""

    rail_v: float
    at_s: float
    siemens: float


@dataclass(frozen=True)
class InnerRail:
    """no_load_v: V; source_ohm: ohm; tau_s: s; misfit: rms of the relative misfit."""

    no_load_v: float
    source_ohm: float
    tau_s: float
    misfit: float


def part_left(source_ohm: NDArray[np.float64], tau_s: NDArray[np.float64], knee: Knee) -> NDArray[np.float64]:
    """The rail over its volts without load, at that knee. Shapes broadcast."""
    q = source_ohm * (2.0 / math.pi) * knee.siemens
    left: NDArray[np.float64] = 1.0 - q / (1.0 + q) * (1.0 - np.exp(-knee.at_s * (1.0 + q) / tau_s))
    return left


def fit_inner_rail(knees: Sequence[Knee]) -> InnerRail:
    """Least squares of the relative misfit over a grid. ValueError for fewer than two knees."""
    if len(knees) < 2:
        raise ValueError("one burst says nothing of a source")
    ohm, tau = SOURCE_OHM[:, None], TAU_S[None, :]
    no_load = np.stack([knee.rail_v / part_left(ohm, tau, knee) for knee in knees])
    mean = no_load.mean(axis=0)
    misfit = np.sqrt(((no_load / mean - 1.0) ** 2).mean(axis=0))
    row, column = np.unravel_index(int(np.argmin(misfit)), misfit.shape)
    return InnerRail(float(mean[row, column]), float(SOURCE_OHM[row]), float(TAU_S[column]), float(misfit[row, column]))


def source_between(one: Knee, other: Knee) -> float | None:
    """Ohm of a source that both of these loaded until nothing changed any more (at_s does not count).

    V1 (1 + R g1) = V2 (1 + R g2) with g = (2/pi) siemens. None where the heavier load does not lower the rail.
    """
    light, heavy = sorted((one, other), key=lambda knee: knee.siemens)
    g1, g2 = (2.0 / math.pi * knee.siemens for knee in (light, heavy))
    below = heavy.rail_v * g2 - light.rail_v * g1
    fall_v = light.rail_v - heavy.rail_v
    return fall_v / below if fall_v > 0.0 and below > 0.0 else None
