"""What the measurements of silence, of coming on, of loads and of hours cost, on paper. Pure. Upper bounds.

Figures that paper and measurement must share stand here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.estimate_checks import INRUSH_S, READ_S, WAKE_AT_MOST_S, WIRING_VRMS, check_tone_hz, tone_cycles
from sequencer.plan.estimate_heat import (
    HEATING_HZ,
    MORE_THAN_DECLARED,
    heating_window,
    soak_level_vrms,
    soak_power_w,
    soak_shots,
    soak_supply_a,
)
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import GAIN_HARMONICS, SILENCE_READ_S, ShotWindow, shot_window, silence_window

NOISE, TURN_ON, LOAD_CHECK, PRECONDITION = "noise", "turn_on", "load_check", "precondition"
STABILITY = "stability"
MEASUREMENTS = (NOISE, TURN_ON, LOAD_CHECK, PRECONDITION, STABILITY)
SIGNALS = (TURN_ON, LOAD_CHECK, PRECONDITION, STABILITY)  # these put a signal on the unit
HEATED = (LOAD_CHECK, PRECONDITION)  # minutes at 1/8 power, as a soak
NOISE_RECORDS = 4  # of 0.2 s each: unit on, inputs off the generator, unit off, output contacts open
NOISE_SCALES_V = (0.5, 5.0)  # at the unit, for the first look; then the largest range
NOISE_TRIES = 3
NOISE_RATE_LEAST_HZ = 40_000.0  # half of it is the band's upper edge
LITTLE_DB, LITTLE_CYCLES = -20.0, 500  # of a load's first reading: cold, and too short to warm it
PROOF_SHOTS, PROOF_S = 6, 0.02
CREST_CYCLES, CREST_BURSTS = 20, 2  # of a burst whose crests are looked at
REST_SCALES_V, REST_SILENCE_S = (0.5, 5.0), 0.02  # short: so that the rate is the highest
SMALL_DB = -20.0  # of the level, with a capacitor across the load (common practice, no source)


@dataclass(frozen=True)
class QuietCost:
    """power_w: of one channel at the highest level; load_j, unit_j: of all bursts, idle current included in the
    unit's."""

    shots: int
    time_s: float
    signal_s: float = 0.0
    level_vrms: float = 0.0
    power_w: float = 0.0
    supply_a: float = 0.0
    load_j: float = 0.0
    unit_j: float = 0.0


def quiet_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> QuietCost:
    """Of any of `MEASUREMENTS`."""
    if point.measurement == NOISE:
        return _noise(unit, rest_s)
    if point.measurement == STABILITY:
        return _stability(point, unit, bench, rest_s)
    if point.measurement == TURN_ON:
        return _turn_on(point, unit, bench, rest_s)
    return _heated(point, unit, bench, rest_s)


def quiet_window(bench: Bench, point: ValuePoint, unit: Unit | None = None) -> ShotWindow:
    """The longest record. Raises NoWindow."""
    if point.measurement == NOISE:
        return silence_window(bench, SILENCE_READ_S)
    if point.measurement == TURN_ON:
        hz = check_tone_hz(point, unit) if unit else HEATING_HZ
        return shot_window(bench, hz, tone_cycles(hz), GAIN_HARMONICS)
    if point.measurement == STABILITY:
        return shot_window(bench, HEATING_HZ, CREST_CYCLES, GAIN_HARMONICS)
    return heating_window(bench, 1.0)


def off_on_s(unit: Unit) -> float:
    """Off, until nothing is left of it, and on again past its mute."""
    return max(5.0, unit.bleed_s) + INRUSH_S + READ_S + unit.mute_s


def _noise(unit: Unit, rest_s: float) -> QuietCost:
    shots = len(NOISE_SCALES_V) + 1 + NOISE_TRIES + 4 * NOISE_RECORDS - 1
    return QuietCost(shots, rest_s + shots * (2.0 * SILENCE_READ_S + SHOT_OVERHEAD_S) + off_on_s(unit))


def _turn_on(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> QuietCost:
    hz = check_tone_hz(point, unit)
    tone_s = tone_cycles(hz) / hz
    tones = point.power_cycles * (math.ceil(WAKE_AT_MOST_S / tone_s) + 1)
    each_s = off_on_s(unit) + WAKE_AT_MOST_S
    gain_db = max(unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel)
    power_w = WIRING_VRMS**2 / min(bench.load[point.load].ohm[n] for n in point.channels)
    signal_s = tones * tone_s
    return QuietCost(
        shots=tones,
        time_s=rest_s + point.power_cycles * each_s + tones * (SHOT_OVERHEAD_S + READ_S),
        signal_s=signal_s,
        level_vrms=WIRING_VRMS / 10.0 ** (gain_db / 20.0),
        power_w=power_w,
        load_j=power_w * signal_s * len(point.channels),
        unit_j=heat_law(unit, point.supply_v).idle_w * signal_s,
    )


def _heated(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> QuietCost:
    """The minutes asked for at a part of full power; a load check does so channel by channel."""
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    shots, burst_s = soak_shots(point, unit, bench)
    alone = point.measurement == LOAD_CHECK
    rounds = len(point.channels) if alone else 1
    little_s = LITTLE_CYCLES / HEATING_HZ if alone else 0.0
    tones_s = rounds * (shots * burst_s + little_s)
    power_w = soak_power_w(point, unit, bench)
    each_w = {n: MORE_THAN_DECLARED * power_w for n in point.channels}
    heat_w = sum(law.most_heat_w(watts, load.ohm[n]) for n, watts in each_w.items())
    minutes_s = rounds * (60.0 * point.minutes + burst_s + little_s + rest_s)
    return QuietCost(
        shots=PROOF_SHOTS + rounds * (shots + 1),
        time_s=minutes_s + rest_s + PROOF_SHOTS * (PROOF_S + rest_s + SHOT_OVERHEAD_S) + 4.0 * SHOT_OVERHEAD_S,
        signal_s=tones_s + PROOF_SHOTS * PROOF_S,
        level_vrms=soak_level_vrms(point, unit, bench),
        power_w=power_w,
        supply_a=soak_supply_a(point, unit, bench),
        load_j=sum(each_w.values()) / rounds * tones_s,
        unit_j=(heat_w + law.idle_w) * tones_s,
    )


def _stability(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> QuietCost:
    """Without a capacitor, and once with each; a person's time is not in it."""
    looks = 1 + len(point.capacitors_nf)
    quiet, bursts = len(REST_SCALES_V) + 1, CREST_BURSTS
    shots = PROOF_SHOTS + looks * (quiet + bursts)
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    power_w = MORE_THAN_DECLARED * soak_power_w(point, unit, bench)
    loud_s = bursts * CREST_CYCLES / HEATING_HZ
    signal_s = looks * loud_s + PROOF_SHOTS * PROOF_S
    heat_w = sum(law.most_heat_w(power_w, load.ohm[n]) for n in point.channels)
    return QuietCost(
        shots=shots,
        time_s=shots * (rest_s + SHOT_OVERHEAD_S + REST_SILENCE_S) + rest_s + 2.0 * (looks - 1) * off_on_s(unit),
        signal_s=signal_s,
        level_vrms=soak_level_vrms(point, unit, bench),
        power_w=power_w,
        supply_a=soak_supply_a(point, unit, bench),
        load_j=power_w * len(point.channels) * signal_s,
        unit_j=(heat_w + law.idle_w) * signal_s,
    )


def load_part(point: ValuePoint) -> float:
    """Of the full power."""
    return point.power_parts[0]
