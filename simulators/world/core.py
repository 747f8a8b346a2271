"""The core of a line transformer: volt seconds up to saturation, nothing beyond."""

from __future__ import annotations

import math

import numpy as np

from simulators.world.channel_truth import TransformerTruth
from simulators.world.noise import Samples
from simulators.world.relax import relaxed


def lost_volts(core_v: Samples, dt_s: float, truth: TransformerTruth, start_vs: float) -> tuple[Samples, Samples]:
    """(volts the saturated core keeps from the load, flux in V s), both on the grid.

    Law of induction: flux' = v - flux / leak; at |flux| = saturation_vs it stands still and the core carries no volts.
    """
    flux = relaxed(core_v * truth.leak_s, start_vs, dt_s / truth.leak_s)
    if float(np.max(np.abs(flux))) <= truth.saturation_vs:
        return np.zeros_like(core_v), flux
    keep = math.exp(-dt_s / truth.leak_s)
    gained = (0.5 * (core_v[1:] + core_v[:-1]) * dt_s).tolist()
    most, here = truth.saturation_vs, start_vs
    stood, lost = [here], []
    for gain in gained:
        free = keep * here + gain
        here = min(max(free, -most), most)
        lost.append((free - here) / dt_s)
        stood.append(here)
    between = np.array(lost)
    return np.concatenate(([0.0], 0.5 * (between[1:] + between[:-1]), between[-1:])), np.array(stood)
