"""Joules of one shot from its own records: into the loads exactly, into the unit by the class B law. Pure.

The unit's share is an estimate (ideal class B between rails at the clip volts, textbook form: input = 2 Vr Vp /
(pi R)), since a burst's supply current is seen only where a digitiser input carries it.
"""

from __future__ import annotations

import math

from sequencer.measurements.judge import Judged
from sequencer.measurements.power_job import ChannelJob, PowerJob


def load_j(job: PowerJob, judged: Judged) -> float:
    """Sum over channels and cycles of (rms^2 + dc^2) / R x time; of a steady tone its blocks stand for all of it."""
    return sum(
        (row.rms_ac_v**2 + row.offset_v**2) / channel.load_ohm * _each_s(job, judged, channel)
        for channel in job.channels
        for row in judged.channels[channel.name].cycles
    )


def _each_s(job: PowerJob, judged: Judged, channel: ChannelJob) -> float:
    """The time that one row of the channel stands for, s."""
    return job.burst_s / len(judged.channels[channel.name].cycles)


def unit_j(job: PowerJob, judged: Judged) -> float:
    """Heat of the output stages: class B input less output, per channel and cycle, never below nought."""
    heat = 0.0
    for channel in job.channels:
        each_s = _each_s(job, judged, channel)
        for row in judged.channels[channel.name].cycles:
            peak_v = math.sqrt(2.0) * row.fundamental_v
            drawn_w = 2.0 * max(channel.clip_v, peak_v) * peak_v / (math.pi * channel.load_ohm)
            heat += max(drawn_w - row.rms_ac_v**2 / channel.load_ohm, 0.0) * each_s
    return heat
