"""What hours of work with rests between them cost, on paper. Pure. Upper bounds.

Figures that paper and measurement must share stand here.
"""

from __future__ import annotations

import math

from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.estimate_heat import (
    BURST_S,
    HEATING_HZ,
    MORE_THAN_DECLARED,
    OVER_PART,
    heating_burst_s,
    heating_window,
    soak_level_vrms,
    soak_power_w,
    soak_supply_a,
)
from sequencer.plan.estimate_quiet import PROOF_S, PROOF_SHOTS, QuietCost, off_on_s
from sequencer.plan.estimate_response import small_power_w
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import SILENCE_READ_S, ShotWindow

ENDURANCE = "endurance"
WATCHED_S = 0.8  # of each burst's end (our own judgement: more is slower to fetch than it is worth)
COOLING_AT_MOST_S = 2700.0  # common practice, no source
LOOKS = 2  # of each cycle: cold, and after its work
LOOK_BURSTS = 200  # cycles: of its tones at 10 mV and at the small power
LOOK_SHOTS = 6  # at most: three ranges of silence, two of 10 mV, the small power
BACK_S, BACK_SHOTS = 60.0, 120  # harmless bursts until an output is back; once a cycle at most is counted here


def cycle_part_s(point: ValuePoint) -> float:
    """How long it works at each of two powers in one cycle, s."""
    return 60.0 * point.minutes / point.power_cycles / 2.0


def endurance_window(bench: Bench, tone_s: float) -> ShotWindow:
    """The end of a burst that is looked through for drop-outs."""
    return heating_window(bench, tone_s, min(WATCHED_S, tone_s / 2.0))


def endurance_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> QuietCost:
    """All its minutes at both powers, half and half; every rest as long as it may be."""
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    power_w, little_w = soak_power_w(point, unit, bench), small_power_w(point, unit, bench)
    burst_s = heating_burst_s(bench, point.load, OVER_PART * power_w, math.inf)
    each_s = cycle_part_s(point)
    bursts = 2 * point.power_cycles * math.ceil(each_s / burst_s + 1.0)
    looks = LOOKS * point.power_cycles
    look_s = LOOK_BURSTS / HEATING_HZ + 2.0 * SILENCE_READ_S + SHOT_OVERHEAD_S + rest_s
    each_w = {n: MORE_THAN_DECLARED * power_w for n in point.channels}
    small_w = {n: MORE_THAN_DECLARED * little_w for n in point.channels}
    loud_s = point.power_cycles * (each_s + burst_s)
    small_s = point.power_cycles * (each_s + BURST_S)
    heat_j = loud_s * sum(law.most_heat_w(watts, load.ohm[n]) for n, watts in each_w.items())
    heat_j += small_s * sum(law.most_heat_w(watts, load.ohm[n]) for n, watts in small_w.items())
    signal_s = loud_s + small_s + (looks * LOOK_SHOTS + BACK_SHOTS) * LOOK_BURSTS / HEATING_HZ + PROOF_SHOTS * PROOF_S
    return QuietCost(
        shots=PROOF_SHOTS + bursts + looks * LOOK_SHOTS + BACK_SHOTS,
        time_s=rest_s
        + PROOF_SHOTS * (PROOF_S + rest_s + SHOT_OVERHEAD_S)
        + point.power_cycles * (off_on_s(unit) + COOLING_AT_MOST_S + 2.0 * each_s + burst_s + BURST_S)
        + looks * LOOK_SHOTS * look_s
        + BACK_S,
        signal_s=signal_s,
        level_vrms=soak_level_vrms(point, unit, bench),
        power_w=power_w,
        supply_a=soak_supply_a(point, unit, bench),
        load_j=loud_s * sum(each_w.values()) + small_s * sum(small_w.values()),
        unit_j=heat_j + law.idle_w * signal_s,
    )
