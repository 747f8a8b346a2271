"""What an efficiency costs on paper: a steady tone for each part of the full power. Pure. Upper bounds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts, mean_magnitude, mean_square, overdrive_db, ratio
from sequencer.plan.estimate_heat import MORE_THAN_DECLARED
from sequencer.plan.heat_law import CONVERTER_EFFICIENCY, heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import ShotWindow, steady_window

TONE_S = 2.0  # common practice, no source
REST_TONES = 10.0  # of silence after a tone, in its lengths (common practice, no source)
HARMONICS = 5  # of the record: what is asked of it is a true rms
LIMIT_PCT = 1.0  # taken for where the full power was found


def tone_s(bench: Bench, frequency_hz: float) -> float:
    """Length of each tone, s, in whole cycles: 2 s, or what the bench allows."""
    return max(math.floor(min(TONE_S, bench.ceiling.burst_s) * frequency_hz + 1e-9), 1) / frequency_hz


def tone_window(bench: Bench, frequency_hz: float) -> ShotWindow:
    """The record at the end of a tone. Raises NoWindow."""
    cycles = round(tone_s(bench, frequency_hz) * frequency_hz)
    return steady_window(bench, frequency_hz, HARMONICS, cycles)


def full_power_w(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """The largest of the channels', where the unit's file says it clips, 1 % over."""
    load = bench.load[point.load]
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    return max(clips[n] ** 2 * mean_square(overdrive_db(LIMIT_PCT)) / load.ohm[n] for n in point.channels)


@dataclass(frozen=True)
class TonesCost:
    """Joules of all tones together, into the loads and into the unit, idle current included."""

    load_j: float
    unit_j: float


def tones_cost(point: ValuePoint, unit: Unit, bench: Bench) -> TonesCost:
    """Class B (textbook), each part for itself; a fifth more power than declared, since parts of what it gives are
    asked."""
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    full_w = {n: MORE_THAN_DECLARED * clips[n] ** 2 / 2.0 / load.ohm[n] for n in point.channels}
    length_s = tone_s(bench, point.frequencies_hz[0])
    heat_w = sum(law.most_heat_w(part * full_w[n], load.ohm[n]) for part in point.power_parts for n in full_w)
    heat_w += law.idle_w * len(point.power_parts)
    return TonesCost(sum(point.power_parts) * sum(full_w.values()) * length_s, heat_w * length_s)


def full_supply_a(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """Supply current at the highest part, idle included: class B, x of the rail draws 4x/pi of the full power."""
    load = bench.load[point.load]
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    x = math.sqrt(max(point.power_parts))
    drawn_w = sum(clips[n] ** 2 * mean_magnitude(overdrive_db(LIMIT_PCT)) / load.ohm[n] for n in point.channels)
    converter = CONVERTER_EFFICIENCY if unit.front_end == "converter" else 1.0
    idle_a = unit.idle_current.window_a[1] if unit.idle_current.window_a else 0.0
    return x * drawn_w / (converter * point.supply_v) + idle_a


def full_level_vrms(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """At the generator, at the highest part, by the unit's declared gain."""
    clips = clip_volts(unit, bench.load[point.load].nominal_ohm, point.supply_v)
    over = ratio(overdrive_db(LIMIT_PCT)) * math.sqrt(max(point.power_parts))
    gains = {c.name: unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel}
    return max(over * clips[n] / math.sqrt(2.0) / ratio(gains[n]) for n in point.channels)
