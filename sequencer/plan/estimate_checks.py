"""What the first power and the checks of bench and wiring cost, on paper. Pure. Upper bounds.

Levels of these two measurements stand here, so that paper and measurement cannot differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from sequencer.plan.window import GAIN_HARMONICS, SILENCE_READ_S, ShotWindow, shot_window, silence_window

CHECKS = frozenset({"first_power", "bench_check", "terminal_scan"})
TONE_HZ = 1000.0
TONE_S = 0.2  # of the first tone: long enough for a clock, 0.1 ppm
SHORT_CYCLES = 20  # of the others
WIRING_VRMS = 0.05  # at the output: harmless to whatever is connected wrongly (common practice, no source)
HARMLESS_VRMS = 0.4  # at the output, once it is known what answers (common practice, no source)
LOAD_BURSTS = 2  # with each load on each channel
TRIES, SILENCES, UNDER_TONE = 2, 2, 1
UNDER_TONE_CYCLES, UNDER_TONE_LAST_S = 400, 0.2  # a tone long enough for the supply's meter
SCAN_BESIDE, SCAN_TRIES = 3, 2  # looks beside those at two terminals a channel: before, shell, back; ranges tried
READ_S = 1.0  # one reading of the bench, links included
WAKE_AT_MOST_S = 12.0  # common practice, no source
STANDBY_WINDOWS, STANDBY_PAUSE_S, INRUSH_S = 10, 0.5, 1.0
OFF_S = 5.0  # at least, of a unit that a person is to touch
RAIL_PARTS = (0.25, 0.5, 0.75, 1.0)  # common practice, no source
RAIL_READINGS = 3


@dataclass(frozen=True)
class CheckCost:
    """signal_s: tone; time_s: all of it."""

    shots: int
    signal_s: float
    time_s: float
    output_vrms: float


def check_tone_hz(point: ValuePoint, unit: Unit) -> float:
    """The point's own tone, else 1 kHz or the edge of the passband that is nearest to it."""
    if point.frequencies_hz:
        return point.frequencies_hz[0]
    low, high = unit.passband_hz
    return min(max(TONE_HZ, low), high)


def tone_cycles(frequency_hz: float) -> int:
    """Of the first tone: 0.2 s, and 20 cycles at least."""
    return max(SHORT_CYCLES, round(TONE_S * frequency_hz))


def under_tone_cycles(frequency_hz: float) -> int:
    """Of the tone under which the supply's meter is read."""
    return max(SHORT_CYCLES, math.ceil(UNDER_TONE_CYCLES * frequency_hz / TONE_HZ))


def check_window(bench: Bench, point: ValuePoint, unit: Unit) -> ShotWindow:
    """The longer one of the silence and the first tone. Raises NoWindow."""
    hz = check_tone_hz(point, unit)
    windows = (silence_window(bench, SILENCE_READ_S), shot_window(bench, hz, tone_cycles(hz), GAIN_HARMONICS))
    return max(windows, key=lambda one: one.samples)


def longest_check_s(point: ValuePoint, unit: Unit) -> float:
    """Of its bursts."""
    hz = check_tone_hz(point, unit)
    cycles = under_tone_cycles(hz) if point.measurement == "bench_check" else tone_cycles(hz)
    return cycles / hz


def check_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> CheckCost:
    """Of any of `CHECKS`."""
    hz = check_tone_hz(point, unit)
    if point.measurement == "terminal_scan":
        return _terminal_scan(point, unit, hz, rest_s)
    if point.measurement == "bench_check":
        return _bench_check(point, unit, bench, hz, rest_s)
    tones = math.ceil(WAKE_AT_MOST_S / (tone_cycles(hz) / hz)) + 1
    signal_s = tones * tone_cycles(hz) / hz
    windows_s = 2.0 * (INRUSH_S + STANDBY_WINDOWS * (STANDBY_PAUSE_S + READ_S))
    parts_s = len(RAIL_PARTS) * (INRUSH_S + RAIL_READINGS * READ_S) if unit.front_end == "linear" else 0.0
    silences_s = 2.0 * (SILENCE_READ_S + SHOT_OVERHEAD_S)
    time_s = windows_s + parts_s + silences_s + WAKE_AT_MOST_S + tones * (SHOT_OVERHEAD_S + READ_S)
    return CheckCost(tones + SILENCES, signal_s, time_s, WIRING_VRMS)


def _terminal_scan(point: ValuePoint, unit: Unit, hz: float, rest_s: float) -> CheckCost:
    """Off and on for each move of the probe; a person's time is not in it."""
    looks = 2 * len(point.channels) + SCAN_BESIDE
    shots = SCAN_TRIES * looks * len(point.channels)  # each channel alone where the bay can do it
    tone_s = tone_cycles(hz) / hz
    moves_s = (looks - 1) * (max(OFF_S, unit.bleed_s) + INRUSH_S + READ_S + unit.mute_s)
    time_s = shots * (tone_s + rest_s + SHOT_OVERHEAD_S) + moves_s + 2.0 * READ_S * looks
    return CheckCost(shots, shots * tone_s, time_s, WIRING_VRMS)


def _bench_check(point: ValuePoint, unit: Unit, bench: Bench, hz: float, rest_s: float) -> CheckCost:
    names = set(point.channels)
    met = [x for x in bench.load.values() if x.nominal_ohm >= unit.minimum_load_ohm and names <= set(x.ohm)]
    ranges = len({r.full_scale_v for r in bench.range})
    short = ranges + LOAD_BURSTS * len(met) * len(point.channels)
    signal_s = TRIES * tone_cycles(hz) / hz + under_tone_cycles(hz) / hz + short * SHORT_CYCLES / hz
    shots = TRIES + SILENCES + UNDER_TONE + short
    time_s = signal_s + SILENCES * SILENCE_READ_S + shots * (rest_s + SHOT_OVERHEAD_S) + 10.0 * READ_S
    return CheckCost(shots, signal_s, time_s + len(met) * len(point.channels) * READ_S, HARMLESS_VRMS)
