"""Joules of one judged shot, which the search holds against its allowance. Pure.

Into the loads by the records; into the unit by the class B law (textbook form: drawn = 2 Vr Vp / (pi R)) with the
rail, converter and idle current that the unit's file lets expect at most. What the results tell is the tally's.
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
    """Heat of stages and converter: drawn less delivered, per channel and cycle, never below nought; and idle."""
    heat, law = job.heat.idle_w * job.burst_s, job.heat
    for channel in job.channels:
        each_s = _each_s(job, judged, channel)
        for row in judged.channels[channel.name].cycles:
            peak_v = math.sqrt(2.0) * row.fundamental_v
            rail_v = max(law.rail_v, channel.clip_v, peak_v)
            drawn_w = 2.0 * rail_v / law.converter * peak_v / (math.pi * channel.load_ohm)
            heat += max(drawn_w - row.rms_ac_v**2 / channel.load_ohm, 0.0) * each_s
    return heat
