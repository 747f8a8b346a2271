"""What it costs on paper to bring a unit to a temperature, and what a soak costs. Pure. Upper bounds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.clip import clip_volts
from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import AnyPoint, ValuePoint
from sequencer.plan.window import CLOCKS_APART, ROUNDING, ShotWindow

HEATING_HZ = 1000.0
HEATING_RECORD_S = 0.1  # of each burst's end: it shows the power; the supply's meter is read around it
HEATING_RATE_HZ = 50_000.0  # 50 samples a cycle are plenty for an rms; there are hundreds of such records
EIGHTH = 0.125  # nobody watches: no more than that (common practice, no source)
BURST_S = 10.0  # of one counted burst
COLD_AT_MOST_S, HOT_AT_MOST_S = 3600.0, 2700.0  # common practice, no source
WAIT_AT_MOST_S = {"cold": 0.0, "warm": 2700.0, "after drive": 60.0, "cooled": 2700.0}
IDLE_AFTER_S = 300.0  # a soak ends with the idle current, five minutes later (common practice, no source)
OVER_PART = 1.3  # of the declared power: a unit may well give more, and a part of what it gives is asked
MORE_THAN_DECLARED = 1.2  # of the power: it is what joules are reckoned with (our own judgement)
WARMING_K = 35.0  # from the workshop's air to 50 to 55 degC
WORST_DRAWN = 4.0 / math.pi  # class B: drawn power / full power at a level of x of the rail is 4x/pi (textbook)


def heating_burst_s(bench: Bench, load: str, power_w: float, burst_j: float) -> float:
    """The longest counted burst that bench and load allow, s, at most 10."""
    one = bench.load[load]
    return min(BURST_S, bench.ceiling.burst_s, one.burst_max_s, min(burst_j, one.burst_j) / max(power_w, 1e-9))


def heating_window(bench: Bench, tone_s: float, record_s: float = HEATING_RECORD_S) -> ShotWindow:
    """The end of a burst that only heats: few samples, and it ends before the tone does by any clock.

    A digitiser that has no such low rate, or no such depth, gives what it can.
    """
    depth = bench.digitiser
    rates = sorted(depth.rates_hz)
    rate_hz = next((rate for rate in rates if rate >= HEATING_RATE_HZ), rates[-1])
    samples = ROUNDING * math.ceil(record_s * rate_hz / ROUNDING - 1e-6)
    samples = min(samples, depth.samples_max // ROUNDING * ROUNDING)
    delay_s = max(tone_s * (1.0 - CLOCKS_APART) - samples / rate_hz, 0.0)
    return ShotWindow(rate_hz, samples, 0.0, 0.0, delay_s)


def soak_part(point: ValuePoint) -> float:
    """Of the full power."""
    return point.power_parts[0] if point.power_parts else EIGHTH


def soak_power_w(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """Into one channel's load, W: the part of what the unit's file declares."""
    load = bench.load[point.load]
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    return soak_part(point) * max(clips[n] ** 2 / 2.0 / load.ohm[n] for n in point.channels)


def soak_shots(point: ValuePoint, unit: Unit, bench: Bench) -> tuple[int, float]:
    """(bursts with their proof, length of one, s) of a whole soak."""
    burst_s = heating_burst_s(bench, point.load, OVER_PART * soak_power_w(point, unit, bench), math.inf)
    return math.ceil(60.0 * point.minutes / burst_s) + 2, burst_s


def soak_time_s(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """The minutes asked for, the last burst, the idle current afterwards."""
    _, burst_s = soak_shots(point, unit, bench)
    return 60.0 * point.minutes + burst_s + IDLE_AFTER_S + 4.0 * SHOT_OVERHEAD_S


def soak_level_vrms(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """At the generator, by the unit's declared gain."""
    ohm = bench.load[point.load].ohm
    least_db = min(unit.gain_db if c.gain_db is None else c.gain_db for c in unit.channel if c.name in point.channels)
    volts = math.sqrt(soak_power_w(point, unit, bench) * max(ohm[n] for n in point.channels))
    return volts / float(10.0 ** (least_db / 20.0))


def soak_supply_a(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """While the tone is on: class B, both channels, a converter of 85 %, and the idle current on top."""
    part = soak_part(point)
    drawn_w = WORST_DRAWN * soak_power_w(point, unit, bench) / math.sqrt(part) * len(point.channels)
    idle_a = unit.idle_current.window_a[1] if unit.idle_current.window_a else 0.0
    return drawn_w / 0.85 / point.supply_v + idle_a


def temper_at_most_s(thermal: str) -> float:
    """How long a group may wait for its heat sinks."""
    return {"cold": COLD_AT_MOST_S, "hot": HOT_AT_MOST_S}.get(thermal, 0.0)


@dataclass(frozen=True)
class Warming:
    """Joules of the bursts that bring a unit to a temperature: into loads, and into the unit while they are on."""

    load_j: float = 0.0
    unit_j: float = 0.0


def temper_j(point: AnyPoint, thermal: str, unit: Unit, bench: Bench) -> Warming:
    """From cold heat sinks; only `hot` takes any."""
    if thermal != "hot":
        return Warming()
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    parts_w = {n: MORE_THAN_DECLARED * EIGHTH * clips[n] ** 2 / 2.0 / load.ohm[n] for n in point.channels}
    heats_w = {n: law.most_heat_w(parts_w[n], load.ohm[n]) for n in point.channels}
    least_w = min(heats_w.values()) + law.idle_w / len(heats_w)
    heated_s = min(_warming_s(unit, least_w), HOT_AT_MOST_S)
    return Warming(sum(parts_w.values()) * heated_s, (sum(heats_w.values()) + law.idle_w) * heated_s)


def _warming_s(unit: Unit, heat_w: float) -> float:
    """One heat capacity behind one thermal resistance (textbook: T = P R (1 - exp(-t / RC))); infinite where so little
    heat does not warm it enough. Without the file's K/W: as if the air took nothing, and half as long again."""
    capacity, k_per_w = unit.heatsink_j_per_k, unit.heatsink_k_per_w
    if k_per_w is None:
        return 1.5 * capacity * WARMING_K / max(heat_w, 1e-9)
    left = 1.0 - WARMING_K / max(heat_w * k_per_w, 1e-9)
    return -k_per_w * capacity * math.log(left) if left > 0.0 else math.inf
