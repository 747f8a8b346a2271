"""What the digitiser's inputs can be connected to, and the volts there."""

from __future__ import annotations

import math

import numpy as np

from simulators.world.bench_truth import BenchTruth
from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import Samples
from simulators.world.residue import lines, residue, through
from simulators.world.setting import Setting
from simulators.world.timeline import Segment

SLOPE_S = 1e-8


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
                return self._setting.wave(self._segment.from_ns).at(self._t_s) + self._input_hum()
            case "input ground":
                return self._ground_v(0.0) * self._unbonded
            case "shunt in the load return":
                return self._load_amps() * self._bench.load_shunt_ohm
            case "shunt in the supply lead":
                return response.amps(self._t_s) * self._bench.supply_shunt_ohm
            case "clamp on the supply lead":
                amps = response.amps(self._t_s) + self._bench.supply_clamp_zero_a
                return amps * self._bench.supply_clamp_v_per_a
        raise ValueError(f"no such wire: {wire!r}")

    @property
    def _outputs(self) -> list[Samples]:
        if self._solved is None:
            outputs = self._segment.response.outputs(self._t_s)
            channels = self._setting.unit.channels if self._setting.unit else ()
            for k, channel in enumerate(channels[: len(outputs)]):
                if channel.contact is not None:
                    outputs[k] = through(channel.contact, outputs[k], self._segment.from_ns, self._t_s)
            self._solved = outputs
        return self._solved

    def _output(self, channel: str) -> Samples:
        unit = self._setting.unit
        names = [c.name for c in unit.channels] if unit else []
        if unit is None or channel not in names:
            return np.zeros_like(self._t_s)
        index = names.index(channel)
        return self._with_residue(unit.channels[index], self._outputs[index])

    def _with_residue(self, channel: ChannelTruth, out_v: Samples) -> Samples:
        """What the wire carries beside the signal: too little to count in the energy, so added only here."""
        setting = self._setting
        if not setting.live or setting.cut or channel.fault != "none":
            return out_v
        if channel.crosstalk:
            out_v = out_v + channel.crosstalk * self._comes_over(channel)
        if channel.residue is not None:
            out_v = out_v + residue(channel.residue, out_v, self._segment.from_ns, self._t_s)
        if self._bench.input_hum_v:
            out_v = out_v + channel.gain * self._input_hum()
        if self._unbonded < 1.0:
            out_v = out_v - channel.gain * (1.0 - self._unbonded) * self._ground_v(channel.coupling_hz)
        return out_v

    def _comes_over(self, channel: ChannelTruth) -> Samples:
        """(1 + jw/wc) times the other channels' outputs: the volts, and their slope by a short difference."""
        unit, response = self._setting.unit, self._segment.response
        others = [k for k, one in enumerate(unit.channels if unit else ()) if one.name != channel.name]
        over = sum((self._outputs[k] for k in others), np.zeros_like(self._t_s))
        if not math.isinf(channel.crosstalk_hz):
            later = response.outputs(self._t_s + SLOPE_S)
            slope = sum((later[k] - self._outputs[k] for k in others), np.zeros_like(self._t_s)) / SLOPE_S
            over = over + slope / (2.0 * math.pi * channel.crosstalk_hz)
        return over

    def _input_hum(self) -> Samples | float:
        if not self._bench.input_hum_v or self._setting.unit is None:
            return 0.0
        return lines(self._bench.input_hum_v, self._segment.from_ns, self._t_s)

    @property
    def _unbonded(self) -> float:
        """Of the volts between the supply's minus at the unit and earth, what stands between minus and the input's
        shell; the rest, along the shield, is in series with the signal.
        """
        unit = self._setting.unit
        if unit is None or math.isinf(unit.input_ground_ohm):
            return 1.0
        return unit.input_ground_ohm / (unit.input_ground_ohm + self._bench.shield_ohm)

    def _ground_v(self, corner_hz: float) -> Samples:
        """Drop of the supply current along the minus lead, behind a high-pass (0 Hz: none); the supply is earthed."""
        minus_ohm = self._bench.supply.minus_part * self._setting.feed.lead_ohm
        return minus_ohm * self._segment.response.amps_behind(self._t_s, corner_hz)

    def _leg(self, channel: str, leg: str) -> Samples:
        """Both legs of a bridged channel stand at half the unit's supply; otherwise minus is ground."""
        volts = self._output(channel)
        unit = self._setting.unit
        if unit is None or not unit.bridged:
            return volts if leg == "plus" else np.zeros_like(volts)
        middle = 0.5 * self._segment.response.terminal_v(self._t_s)
        return middle + (0.5 if leg == "plus" else -0.5) * volts

    def _load_amps(self) -> Samples:
        if self._setting.load_h:
            return self._segment.response.load_amps(self._t_s)
        total = np.zeros_like(self._t_s)
        for volts, ohm in zip(self._outputs, self._setting.load_ohm, strict=False):
            if not math.isinf(ohm):
                total = total + volts / ohm
        return total


def noise_vrms(segment: Segment, wire: str) -> float:
    """Noise of a powered unit at its output; an open one is not connected to its stage."""
    unit = segment.setting.unit
    if unit is None or not segment.setting.live or not wire.startswith(("output", "leg")):
        return 0.0
    own = [c for c in unit.channels if c.name == wire.split()[1]]
    return max((c.noise_vrms for c in own if c.fault != "open"), default=0.0)
