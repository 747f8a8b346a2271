"""What the digitiser's inputs can be connected to, and the volts there."""

from __future__ import annotations

import math

import numpy as np

from simulators.world.bench_truth import BenchTruth
from simulators.world.noise import Samples
from simulators.world.setting import Setting
from simulators.world.timeline import Segment


class Wires:
    """Volts on named wires during one segment; `t_s` from its start, ascending."""

    def __init__(self, segment: Segment, t_s: Samples, bench: BenchTruth) -> None:
        self._segment, self._t_s, self._bench = segment, t_s, bench
        self._setting: Setting = segment.setting
        self._solved: list[Samples] | None = None

    def volts(self, wire: str) -> Samples:
        """ValueError for a wire that does not exist."""
        match wire.split():
            case ["output", channel]:
                return self._output(channel)
            case ["leg", channel, "plus" | "minus" as leg]:
                return self._leg(channel, leg)
        response = self._segment.response
        match wire:
            case "rail":
                return response.terminal_v(self._t_s)
            case "input":
                return self._setting.wave(self._segment.from_ns).at(self._t_s)
            case "shunt in the load return":
                return self._load_amps() * self._bench.load_shunt_ohm
            case "shunt in the supply lead":
                return response.amps(self._t_s) * self._bench.supply_shunt_ohm
        raise ValueError(f"no such wire: {wire!r}")

    @property
    def _outputs(self) -> list[Samples]:
        if self._solved is None:
            self._solved = self._segment.response.outputs(self._t_s)
        return self._solved

    def _output(self, channel: str) -> Samples:
        unit = self._setting.unit
        names = [c.name for c in unit.channels] if unit else []
        return self._outputs[names.index(channel)] if channel in names else np.zeros_like(self._t_s)

    def _leg(self, channel: str, leg: str) -> Samples:
        """Both legs of a bridged channel stand at half the unit's supply; otherwise minus is ground."""
        volts = self._output(channel)
        unit = self._setting.unit
        if unit is None or not unit.bridged:
            return volts if leg == "plus" else np.zeros_like(volts)
        middle = 0.5 * self._segment.response.terminal_v(self._t_s)
        return middle + (0.5 if leg == "plus" else -0.5) * volts

    def _load_amps(self) -> Samples:
        total = np.zeros_like(self._t_s)
        for volts, ohm in zip(self._outputs, self._setting.load_ohm, strict=False):
            if not math.isinf(ohm):
                total = total + volts / ohm
        return total


def noise_vrms(segment: Segment, wire: str) -> float:
    """Noise of a powered unit at its output."""
    unit = segment.setting.unit
    if unit is None or not segment.setting.live or not wire.startswith(("output", "leg")):
        return 0.0
    return max((c.noise_vrms for c in unit.channels if c.name == wire.split()[1]), default=0.0)
