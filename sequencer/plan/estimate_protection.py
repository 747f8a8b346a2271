"""What `protection` will cost at most, on paper, and the ramp it fires. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts
from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint

CYCLES = 20
FROM_DB, NEAR_DB, BEYOND_DB = 10.0, 3.0, 1.0  # below the clip; from where steps are small; above it
STEPS_DB = (1.0, 0.5)
RAMP_SHOTS = math.ceil((FROM_DB - NEAR_DB) / STEPS_DB[0]) + math.ceil((NEAR_DB + BEYOND_DB) / STEPS_DB[1]) + 1
WAIT_S, REMOTE_S, EVERY_S = 60.0, 10.0, 0.5
QUIET_SHOTS, QUIET_S = 2, 0.2
EFFICIENCY = 0.6  # of the whole unit at its clip, class B with a converter (common practice, no source)


@dataclass(frozen=True)
class ProtectionCost:
    """power_w: of one channel at the highest level; signal_s: of all loud bursts together; quiet_s: of all
    others."""

    shots: int
    time_s: float
    signal_s: float
    quiet_s: float
    level_vrms: float
    power_w: float
    supply_a: float


def protection_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> ProtectionCost:
    """Upper bound: the whole ramp, and then a protection that does not come back by itself."""
    load = bench.load[point.load]
    frequency_hz = point.frequencies_hz[0] if point.frequencies_hz else 1000.0
    burst_s = CYCLES / frequency_hz
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    clip_v = max(clips[name] for name in point.channels)
    gain_db = min(unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel if c.name in point.channels)
    level = clip_v / math.sqrt(2.0) / 10.0 ** ((gain_db - BEYOND_DB) / 20.0)
    power_w = clip_v**2 / 2.0 / min(load.ohm[name] for name in point.channels) * 10.0 ** (BEYOND_DB / 10.0)
    waits = math.ceil((WAIT_S + REMOTE_S) / EVERY_S)
    loud = RAMP_SHOTS + 1
    waited_s = WAIT_S + REMOTE_S + unit.mute_s + waits * (burst_s + SHOT_OVERHEAD_S)
    ramp_s = (loud + QUIET_SHOTS) * (rest_s + burst_s + QUIET_S + SHOT_OVERHEAD_S)
    return ProtectionCost(
        shots=loud + QUIET_SHOTS + waits,
        time_s=ramp_s + waited_s,
        signal_s=RAMP_SHOTS * burst_s,
        quiet_s=(1 + waits) * burst_s + QUIET_SHOTS * QUIET_S,
        level_vrms=min(level, bench.ceiling.generator_vrms, unit.input_max_vrms),
        power_w=power_w,
        supply_a=power_w * len(point.channels) / EFFICIENCY / point.supply_v,
    )
