"""What one channel gives where the ramp meets its limit, and where this channel was itself beyond it. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from sequencer.analysis.power import watts
from sequencer.measurements.judge import ChannelShot, Judged
from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_job import ChannelJob
from sequencer.measurements.search_model import Found


def crossing_within_db(found: Found) -> float:
    """How well the level of the limit is known. A search that ended at the crossing has placed it within its
    resolution on the line between the bracket's ends, however far apart these are.
    """
    width = found.bracket_width_db or found.resolution_db
    return min(width, found.resolution_db) if found.ended == "crossing" else width


def power_at_limit(outcome: Outcome, channel: ChannelJob, found: Found) -> float | None:
    """Watts at the crossing: on the line in dB through the nearest shots on its two sides, or the two just below
    it."""
    if found.crossing_db is None:
        return None
    points = sorted(_power_by_level(outcome.judged, channel).items())
    below = [p for p in points if p[0] <= found.crossing_db]
    above = [p for p in points if p[0] > found.crossing_db]
    if len(below) < 2 and not (below and above):
        return None
    (l0, p0), (l1, p1) = (below[-1], above[0]) if above else (below[-2], below[-1])
    share = (found.crossing_db - l0) / (l1 - l0)
    return float(10.0 ** ((p0 + share * (p1 - p0)) / 10.0))


def beyond_limit_w(outcome: Outcome, channel: ChannelJob, found: Found, accepted_w: float) -> float | None:
    """Least watts, of all shots, at which this channel itself was beyond the limit; None where none showed it. Fewer
    than at the accepted level are another thing: a protection, or a rail that folded back."""
    shots = zip(outcome.judged, outcome.readings, strict=True)
    seen = [j.channels[channel.name] for j, told in shots if not told.output_gone]
    beyond = [one.last.rms_ac_v for one in seen if one.distortion - 2.0 * one.sigma > found.limit]
    all_w = (watts(volts, channel.load_ohm) for volts in beyond)
    return min((one for one in all_w if one > accepted_w), default=None)


def _power_by_level(judged: Sequence[Judged], channel: ChannelJob) -> Mapping[float, float]:
    """Mean of 10 log10(W) of the shots at each level, level in dB."""
    by_level: dict[float, list[float]] = {}
    for j in judged:
        seen: ChannelShot = j.channels[channel.name]
        level_db = 20.0 * math.log10(j.shot.level_vrms)
        by_level.setdefault(level_db, []).append(
            10.0 * math.log10(max(watts(seen.last.rms_ac_v, channel.load_ohm), 1e-12))
        )
    return {level: sum(ws) / len(ws) for level, ws in by_level.items()}
