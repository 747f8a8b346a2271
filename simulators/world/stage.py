"""The output stage at one instant: what it makes of the wanted volts, and what it takes from the rail for it."""

from __future__ import annotations

import math

import numpy as np

from simulators.world.channel_truth import ChannelTruth
from simulators.world.noise import Samples
from simulators.world.signals import clipped, clipped_once

CROSSING_WIDTH = 0.02  # of the changeover volts: how gradually class H passes from one rail to the other


def shaped(wanted_v: Samples, rail_v: Samples, channel: ChannelTruth, total_ohm: float) -> Samples:
    """Output volts: dead zone, rail or most amps, and the drop where a class H stage changes rails.

    The dead zone x - d tanh(x / d) has no slope at zero and takes d from whatever is far above it: then the error is
    a square wave of height d.
    """
    if channel.crossover_v:
        wanted_v = wanted_v - channel.crossover_v * np.tanh(wanted_v / channel.crossover_v)
    stage = channel.stage
    if stage.output_class == "D":  # the devices' resistance takes its part of the rail
        rail_v = rail_v * total_ohm / (total_ohm + stage.conduction_ohm) if np.isfinite(total_ohm) else rail_v
    out = clipped(wanted_v, rail_v, channel)
    if np.isfinite(channel.most_a) and np.isfinite(total_ohm):
        out = np.clip(out, -channel.most_a * total_ohm, channel.most_a * total_ohm)
    if stage.output_class == "H" and stage.crossing_v:
        low_v = np.maximum(stage.low_rail_part * rail_v, 1e-9)
        dropped = 0.5 * stage.crossing_v * (1.0 + np.tanh((np.abs(out) - low_v) / (CROSSING_WIDTH * low_v)))
        out = out - np.sign(out) * dropped
    return np.asarray(out)


def rail_amps(out_v: Samples, amps: Samples, rail_v: Samples, channel: ChannelTruth) -> Samples:
    """Amps out of the rail for `amps` into the load.

    AB, B: the size of the current. D: what carries power to load and devices, over the rail's volts. H: while the
    output is below the lower rail, that part of it (the lower rail is made of the upper one without loss).
    """
    stage = channel.stage
    if stage.output_class == "D":
        return np.asarray((out_v * amps + stage.conduction_ohm * amps**2) / np.maximum(rail_v, 1e-3))
    if stage.output_class == "H":
        low = np.abs(out_v) <= stage.low_rail_part * rail_v
        return np.asarray(np.abs(amps) * np.where(low, stage.low_rail_part, 1.0))
    return np.abs(amps)


def taken_once(wanted_v: float, rail_v: float, channel: ChannelTruth, total_ohm: float) -> float:
    """`shaped` and `rail_amps` for one instant and a resistance (not infinite), quick in a loop."""
    stage, rail_v = channel.stage, max(rail_v, 1e-3)
    if channel.crossover_v:
        wanted_v -= channel.crossover_v * math.tanh(wanted_v / channel.crossover_v)
    held = total_ohm / (total_ohm + stage.conduction_ohm) if stage.output_class == "D" else 1.0
    most_v = channel.most_a * total_ohm
    out_v = min(max(clipped_once(wanted_v, rail_v * held, channel), -most_v), most_v)
    if stage.output_class == "D":
        amps = out_v / total_ohm
        return (out_v * amps + stage.conduction_ohm * amps**2) / rail_v
    if stage.output_class == "H":
        return _taken_in_class_h(out_v, rail_v, channel) / total_ohm
    return abs(out_v) / total_ohm


def _taken_in_class_h(out_v: float, rail_v: float, channel: ChannelTruth) -> float:
    low_v, size_v = channel.stage.low_rail_part * rail_v, abs(out_v)
    size_v -= 0.5 * channel.stage.crossing_v * (1.0 + math.tanh((size_v - low_v) / (CROSSING_WIDTH * low_v)))
    return abs(size_v) * (channel.stage.low_rail_part if abs(size_v) <= low_v else 1.0)
