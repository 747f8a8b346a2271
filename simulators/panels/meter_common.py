"""What the meters' fronts share: a detector of rms that settles, and the average after it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simulators.world.noise import Samples, normal
from simulators.world.world import World

TIME_CONSTANTS = 14.0  # of the detector within its settling: what came before weighs e^-14
MAINS_S = 0.020
CREST = 3.0
LEADS, SHELL = 0, "input ground"  # among the world's probes; where a person may have put the meter's
SAMPLE_HZ = 101_010.1  # of the model: no multiple of any tone's frequency


@dataclass(frozen=True)
class Window:
    """Of one reading: it is over at `end_ns`; the detector settled, then averaged over `average_s`."""

    end_ns: int
    settling_s: float
    average_s: float


class Detector:
    """leads: wire -> contacts that put the input on it; without any it always hangs there."""

    def __init__(self, world: World, key: str, leads: Mapping[str, tuple[str, ...]]) -> None:
        self._world, self._key, self._leads = world, key, dict(leads)

    def mean_v(self, window: Window) -> float:
        return float(np.dot(*self._seen(window)))

    def ac_vrms(self, window: Window, range_vrms: float, over_range: float) -> float | None:
        """True rms of the AC part with the meter's errors; None above `over_range` times the range, or its crests."""
        volts, weights = self._seen(window)
        mean_v = float(np.dot(volts, weights))
        true_vrms = math.sqrt(float(np.dot((volts - mean_v) ** 2, weights)))
        errors = self._world.bench.meter
        noise = errors.noise * range_vrms * normal(self._world.seed, self._key, window.end_ns)
        read_vrms = true_vrms * (1.0 + errors.gain_error(range_vrms)) + noise
        if read_vrms > over_range * range_vrms or float(np.abs(volts).max()) > CREST * range_vrms:
            return None
        return max(read_vrms, 0.0)

    def ohm(self, now_ns: int) -> float:
        """Between the leads; without end where they hang on nothing that this world has ohms for. No errors."""
        if self._world.probes.get(LEADS) != SHELL:
            return math.inf
        bays = self._world.layout.connected_bays(self._world.contacts(now_ns))
        return min((bay.unit.input_ground_ohm for bay in bays if bay.unit is not None), default=math.inf)

    def _seen(self, window: Window) -> tuple[Samples, Samples]:
        """Volts at the input up to the end, and the weight that detector and average together give each instant: an
        exponential folded with a box."""
        tau_s, box_s = window.settling_s / TIME_CONSTANTS, window.average_s
        ago_s = np.arange(math.ceil((window.settling_s + box_s) * SAMPLE_HZ))[::-1] / SAMPLE_HZ
        begun = np.exp(-np.maximum(ago_s - box_s, 0.0) / tau_s)
        weights = begun - np.exp(-ago_s / tau_s)
        base_ns = window.end_ns - round(float(ago_s[0]) * 1e9)
        if base_ns < 0:
            within = ago_s <= window.end_ns * 1e-9
            ago_s, weights, base_ns = ago_s[within], weights[within], 0
        wire = self._wire(window.end_ns)
        if wire is None or ago_s.size < 2:
            return np.zeros_like(ago_s), weights / max(float(weights.sum()), 1e-12)
        t_s = float(ago_s[0]) - ago_s
        volts, _ = self._world.wires([wire], base_ns, t_s)[wire]
        return volts, weights / float(weights.sum())

    def _wire(self, now_ns: int) -> str | None:
        """What the input hangs on; None where its lead is open."""
        if LEADS in self._world.probes:
            return self._world.probes[LEADS]
        closed = self._world.contacts(now_ns)
        return next((wire for wire, contacts in self._leads.items() if closed.issuperset(contacts)), None)


def whole_periods_s(seconds: float) -> float:
    """To the nearest whole number of mains periods, one at least."""
    return max(1, round(seconds / MAINS_S)) * MAINS_S
