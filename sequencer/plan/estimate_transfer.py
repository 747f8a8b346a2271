"""What the comparison of the digitiser's ranges with the meter costs, on paper, and its levels, so that paper and
measurement cannot differ. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts, ratio
from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.estimate_checks import READ_S, check_tone_hz
from sequencer.plan.estimate_distortion import tone_burst_cycles
from sequencer.plan.models import Bench, Input, Meter, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import CLOCKS_APART, GAIN_HARMONICS, ShotWindow, steady_record_s, steady_window

TRANSFER = "range_transfer"
PARTS = (1.0, 0.5)  # of the highest crest on a range: what is not in proportion shows as scatter
REPEATS = 2  # at each level
FILL_MOST, FILL_LEAST = 0.85, 0.2  # of a range, by the tone's crest (common practice, no source)
CLIP_PART = 0.7  # of the clip volts: no unit bends much there, and none is heated without a load
SEARCH_DOWN = 0.1  # of the clip volts: ranges below are those of harmless levels, and no power is read on them
SPARE_S = 0.5  # beside the meter's reading: its messages, and the record at the tone's end


@dataclass(frozen=True)
class RangeLevels:
    """One range of one input. full_scale_v: at the connector; reach_v: at the unit; crests_v: of the tones, V."""

    full_scale_v: float
    reach_v: float
    crests_v: tuple[float, ...]


def range_levels(bench: Bench, wire: str, clip_v: float) -> tuple[RangeLevels, ...]:
    """The ranges that powers are read on and that a tone well below clipping can fill, rising."""
    factor = bench.input.get(wire, Input()).factor
    scales = sorted({one.full_scale_v for one in bench.range if one.input in ("all", wire)})
    found = []
    for full_scale_v in scales:
        reach_v = full_scale_v * factor
        crest_v = min(FILL_MOST * reach_v, CLIP_PART * clip_v)
        if reach_v >= SEARCH_DOWN * clip_v and crest_v >= FILL_LEAST * reach_v:
            found.append(RangeLevels(full_scale_v, reach_v, tuple(part * crest_v for part in PARTS)))
    return tuple(found)


def transfer_cycles(meter: Meter, frequency_hz: float) -> int:
    """Of a tone that outlasts one reading of the meter, and the record after it."""
    return math.ceil((meter.reading_s + SPARE_S + steady_record_s(frequency_hz)) * frequency_hz / (1.0 - CLOCKS_APART))


def transfer_window(bench: Bench, frequency_hz: float) -> ShotWindow:
    """Raises NoWindow."""
    return steady_window(bench, frequency_hz, GAIN_HARMONICS)


@dataclass(frozen=True)
class TransferCost:
    """As the other measurements' costs. Without a load there is no power in one."""

    shots: int
    time_s: float
    signal_s: float
    level_vrms: float
    power_w: float = 0.0
    supply_a: float = 0.0
    load_j: float = 0.0
    unit_j: float = 0.0


def transfer_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> TransferCost:
    """Of `range_transfer`; nothing where the bench has no meter, which is refused."""
    if bench.meter is None:
        return TransferCost(0, 0.0, 0.0, 0.0)
    hz = check_tone_hz(point, unit)
    clips = clip_volts(unit, bench.load[point.load].nominal_ohm, point.supply_v)
    gains = {c.name: unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel}
    shots, level_vrms = 0, 0.0
    for name in point.channels:
        ranges = range_levels(bench, bench.input_for(f"output {name}") or "", clips[name])
        shots += REPEATS * sum(len(one.crests_v) for one in ranges) if name in bench.meter.close else 0
        crest_v = max((crest for one in ranges for crest in one.crests_v), default=0.0)
        level_vrms = max(level_vrms, crest_v / math.sqrt(2.0) / ratio(gains[name]))
    tone_s, proof_s = transfer_cycles(bench.meter, hz) / hz, tone_burst_cycles(hz) / hz
    signal_s = proof_s + shots * tone_s
    switching_s = (2 + 2 * len(point.channels)) * READ_S
    time_s = signal_s + (1 + shots) * (rest_s + SHOT_OVERHEAD_S) + switching_s
    return TransferCost(1 + shots, time_s, signal_s, level_vrms)
