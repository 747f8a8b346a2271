"""What the points that search no level will cost, on paper. Pure.

Upper bounds: every void record is taken to be repeated, and a wait for warmth to last as long as it may.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from sequencer.plan.cost import ANSWER_WITHIN_S, SHOT_OVERHEAD_S, Estimate
from sequencer.plan.estimate_checks import check_cost, check_window
from sequencer.plan.estimate_distortion import MEASUREMENTS as DISTORTION
from sequencer.plan.estimate_distortion import DistortionCost, distortion_cost, distortion_window
from sequencer.plan.estimate_efficiency import (
    REST_TONES,
    full_level_vrms,
    full_power_w,
    full_supply_a,
    tone_s,
    tone_window,
    tones_cost,
)
from sequencer.plan.estimate_endurance import ENDURANCE, endurance_cost, endurance_window
from sequencer.plan.estimate_heat import (
    HEATING_HZ,
    MORE_THAN_DECLARED,
    WAIT_AT_MOST_S,
    soak_level_vrms,
    soak_power_w,
    soak_shots,
    soak_supply_a,
    soak_time_s,
    temper_at_most_s,
    temper_j,
)
from sequencer.plan.estimate_protection import CYCLES, protection_cost
from sequencer.plan.estimate_quiet import MEASUREMENTS as QUIET
from sequencer.plan.estimate_quiet import QuietCost, quiet_cost, quiet_window
from sequencer.plan.estimate_response import MEASUREMENTS as RESPONSE
from sequencer.plan.estimate_response import response_cost, response_window
from sequencer.plan.estimate_transfer import TRANSFER, TransferCost, transfer_cost, transfer_window
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import (
    GAIN_HARMONICS,
    SILENCE_READ_S,
    NoWindow,
    ShotWindow,
    gain_cycles,
    shot_window,
    silence_window,
)

VALUE_REST_S = 1.0
COUPLING_CONSTANTS = 5.0
OFFSET_SHOTS = 3  # on wider ranges, where the first is overloaded
GAIN_TRIES = 2
GAIN_OUTPUT_VRMS = 0.1  # as the file has it; 12 dB more than that is still harmless (0.4 V, common practice)
IDLE_WINDOWS, IDLE_PAUSE_S, IDLE_READ_S = 10, 0.5, 1.0


@dataclass(frozen=True)
class _Joules:
    """load: into all loads; unit: while a signal is on, idle current included."""

    load: float
    unit: float


@dataclass(frozen=True)
class _Cost:
    """signal_s: of all bursts, harmless ones included. power_w: of one channel, at the highest level. joules: None
    where all bursts are at that level.
    """

    shots: int = 0
    time_s: float = 0.0
    signal_s: float = 0.0
    level_vrms: float = 0.0
    power_w: float = 0.0
    window: ShotWindow | None = None
    joules: _Joules | None = None
    supply_a: float = 0.0  # beyond the idle current's, where a signal is on that draws it


def value_rest_s(unit: Unit) -> float:
    """After a harmless burst or before silence: 1 s, or five of the slowest coupling time constant."""
    coupling_s = COUPLING_CONSTANTS / (2.0 * math.pi * unit.coupling_hz) if unit.coupling_hz > 0 else 0.0
    return max(VALUE_REST_S, coupling_s)


def value_estimate(point: ValuePoint, unit: Unit, bench: Bench) -> Estimate:
    """One estimate of a point that searches no level. window: of its longest record, None where none is taken."""
    costs = {"output_offset": _offset, "idle_current": _idle, "gain": _gain, "soak": _soak}
    costs["idle_adjustment"] = _adjusting
    costs |= {"first_power": _checks, "bench_check": _checks, "terminal_scan": _checks, "protection": _protection}
    costs["steady_efficiency"] = _efficiency
    costs[TRANSFER] = _transfer
    costs |= dict.fromkeys(DISTORTION, _distortion)
    costs |= dict.fromkeys(QUIET, _quiet)
    costs |= dict.fromkeys(RESPONSE, _response)
    costs[ENDURANCE] = _endurance
    cost = costs[point.measurement](point, unit, bench)
    law = heat_law(unit, point.supply_v)
    joules = cost.joules or _at_one_level(point, unit, bench, cost)
    warming = temper_j(point, point.thermal, unit, bench)
    time_s = cost.time_s + temper_at_most_s(point.thermal)
    return Estimate(
        id=point.id,
        clip_v=None,
        level_vrms=cost.level_vrms,
        power_w=cost.power_w,
        burst_j=cost.power_w * cost.signal_s / max(cost.shots, 1),
        shots=cost.shots,
        rest_s=value_rest_s(unit),
        time_s=time_s,
        energy_load_j=joules.load + warming.load_j,
        energy_unit_j=joules.unit + warming.unit_j,
        idle_j=law.idle_w * max(time_s - cost.signal_s, 0.0),
        supply_a=max(law.idle_w / point.supply_v, cost.supply_a),
        window=cost.window,
        floor_pct=None,
    )


def _at_one_level(point: ValuePoint, unit: Unit, bench: Bench, cost: _Cost) -> _Joules:
    """Every burst at the highest level."""
    law, ohm = heat_law(unit, point.supply_v), bench.load[point.load].ohm
    heat_w = sum(law.most_heat_w(cost.power_w, ohm[name]) for name in point.channels)
    load_j = cost.power_w * cost.signal_s * len(point.channels)
    return _Joules(load_j, (heat_w + law.idle_w) * cost.signal_s)


def value_window(bench: Bench, point: ValuePoint) -> ShotWindow | None:
    """The longest record of the point; None where it takes none. Raises NoWindow."""
    if point.measurement == "output_offset":
        return silence_window(bench, SILENCE_READ_S)
    if point.measurement == "steady_efficiency":
        return tone_window(bench, point.frequencies_hz[0])
    if point.measurement == TRANSFER:
        return transfer_window(bench, HEATING_HZ)
    if point.measurement in DISTORTION:
        return distortion_window(bench, point)
    if point.measurement in RESPONSE:
        return response_window(bench, point)
    if point.measurement in QUIET:
        return quiet_window(bench, point)
    if point.measurement == ENDURANCE:
        return endurance_window(bench, 1.0)
    if point.measurement == "protection":
        return max((shot_window(bench, hz, CYCLES, GAIN_HARMONICS) for hz in point.frequencies_hz), key=_samples)
    windows = [shot_window(bench, hz, gain_cycles(hz), GAIN_HARMONICS) for hz in point.frequencies_hz]
    return max(windows, key=lambda one: one.samples, default=None)


def _samples(window: ShotWindow) -> int:
    return window.samples


def _window(bench: Bench, point: ValuePoint) -> ShotWindow | None:
    try:
        return value_window(bench, point)
    except NoWindow:
        return None


def _offset(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    each_s = value_rest_s(unit) + SILENCE_READ_S + SHOT_OVERHEAD_S
    time_s = OFFSET_SHOTS * each_s + WAIT_AT_MOST_S[point.wait]
    return _Cost(OFFSET_SHOTS, time_s, window=_window(bench, point))


def _idle(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    read_s = IDLE_WINDOWS * (IDLE_PAUSE_S + IDLE_READ_S)
    return _Cost(time_s=read_s + WAIT_AT_MOST_S[point.wait])


def _adjusting(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    """A person's time is bounded by how long an answer is waited for, twice."""
    return _Cost(time_s=2.0 * IDLE_WINDOWS * (IDLE_PAUSE_S + IDLE_READ_S) + 2.0 * ANSWER_WITHIN_S)


def _gain(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    signal_s = GAIN_TRIES * sum(gain_cycles(hz) / hz for hz in point.frequencies_hz)
    shots = GAIN_TRIES * len(point.frequencies_hz)
    gain_db = max(unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel)
    ohm = min(bench.load[point.load].ohm[name] for name in point.channels)
    return _Cost(
        shots=shots,
        time_s=signal_s + shots * (value_rest_s(unit) + SHOT_OVERHEAD_S),
        signal_s=signal_s,
        level_vrms=GAIN_OUTPUT_VRMS / 10.0 ** (gain_db / 20.0),
        power_w=GAIN_OUTPUT_VRMS**2 / ohm,
        window=_window(bench, point),
    )


def _checks(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    cost = check_cost(point, unit, bench, value_rest_s(unit))
    most_db = max(unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel)
    try:
        window = check_window(bench, point, unit)
    except NoWindow:
        window = None
    return _Cost(
        shots=cost.shots,
        time_s=cost.time_s,
        signal_s=cost.signal_s,
        level_vrms=cost.output_vrms / 10.0 ** (most_db / 20.0),
        power_w=cost.output_vrms**2 / min(bench.load[point.load].ohm[name] for name in point.channels),
        window=window,
    )


def _soak(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    shots, burst_s = soak_shots(point, unit, bench)
    cost = _Cost(
        shots=shots,
        time_s=soak_time_s(point, unit, bench),
        signal_s=shots * burst_s,
        level_vrms=soak_level_vrms(point, unit, bench),
        power_w=soak_power_w(point, unit, bench),
        supply_a=soak_supply_a(point, unit, bench),
    )
    more = replace(cost, power_w=MORE_THAN_DECLARED * cost.power_w)
    return replace(cost, joules=_at_one_level(point, unit, bench, more))


def _protection(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    paper = protection_cost(point, unit, bench, value_rest_s(unit))
    cost = _Cost(
        shots=paper.shots,
        time_s=paper.time_s,
        signal_s=paper.signal_s,
        level_vrms=paper.level_vrms,
        power_w=paper.power_w,
        window=_window(bench, point),
        supply_a=paper.supply_a,
    )
    loud = _at_one_level(point, unit, bench, cost)
    quiet_j = heat_law(unit, point.supply_v).idle_w * paper.quiet_s
    return replace(cost, joules=_Joules(loud.load, loud.unit + quiet_j))


def _efficiency(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    length_s, shots = tone_s(bench, point.frequencies_hz[0]), len(point.power_parts)
    rest_s = max(value_rest_s(unit), REST_TONES * length_s)
    tones = tones_cost(point, unit, bench)
    return _Cost(
        shots=shots,
        time_s=shots * (length_s + rest_s + SHOT_OVERHEAD_S) + value_rest_s(unit),
        signal_s=shots * length_s,
        level_vrms=full_level_vrms(point, unit, bench),
        power_w=max(point.power_parts) * full_power_w(point, unit, bench),
        window=_window(bench, point),
        joules=_Joules(tones.load_j, tones.unit_j),
        supply_a=full_supply_a(point, unit, bench),
    )


def _distortion(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    return _on_paper(distortion_cost(point, unit, bench, value_rest_s(unit)), _window(bench, point))


def _response(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    return _on_paper(response_cost(point, unit, bench, value_rest_s(unit)), _window(bench, point))


def _quiet(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    return _on_paper(quiet_cost(point, unit, bench, value_rest_s(unit)), _window(bench, point))


def _endurance(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    return _on_paper(endurance_cost(point, unit, bench, value_rest_s(unit)), _window(bench, point))


def _transfer(point: ValuePoint, unit: Unit, bench: Bench) -> _Cost:
    """Without a load: what the unit takes is its idle current."""
    paper, idle_w = transfer_cost(point, unit, bench, value_rest_s(unit)), heat_law(unit, point.supply_v).idle_w
    return _on_paper(replace(paper, unit_j=idle_w * paper.signal_s), _window(bench, point))


def _on_paper(paper: DistortionCost | QuietCost | TransferCost, window: ShotWindow | None) -> _Cost:
    return _Cost(
        shots=paper.shots,
        time_s=paper.time_s,
        signal_s=paper.signal_s,
        level_vrms=paper.level_vrms,
        power_w=paper.power_w,
        window=window,
        joules=_Joules(paper.load_j, paper.unit_j),
        supply_a=paper.supply_a,
    )
