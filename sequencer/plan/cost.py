"""What one point costs on paper. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.plan.window import ShotWindow

ANSWER_WITHIN_S = 900.0  # a person has so long; then nobody is there any more (our own choice)
SHOT_OVERHEAD_S = 0.5  # setting, arming, fetching: an upper bound on slow links


@dataclass(frozen=True)
class Estimate:
    """One point on paper. All joules and the time are for the whole point, powers and joules of one burst for one
    channel.

    clip_v: crest expected at clipping, V; None where nothing is driven that far. power_w: largest of the channels at
    the limit. burst_j: into one load in one burst. level_vrms: at the generator, at the limit. energy_unit_j: while a
    signal is on, idle current included; idle_j: in silence, 0 where the unit's file says nothing of its idle current.
    floor_pct: of the digitiser, None without a window.
    """

    id: str
    clip_v: float | None
    level_vrms: float
    power_w: float
    burst_j: float
    shots: int
    rest_s: float
    time_s: float
    energy_load_j: float
    energy_unit_j: float
    idle_j: float
    supply_a: float
    window: ShotWindow | None
    floor_pct: float | None
