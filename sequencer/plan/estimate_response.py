"""What the measurements of response fire, and what that costs at most, on paper. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator

from sequencer.plan.estimate_distortion import WIDEN, Burst, DistortionCost, burst_rest_s, cost_of, tone_burst_cycles
from sequencer.plan.estimate_efficiency import full_power_w
from sequencer.plan.estimate_heat import MORE_THAN_DECLARED
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint, harmonics_within
from sequencer.plan.ratings import rating_for
from sequencer.plan.window import GAIN_HARMONICS, ShotWindow, gain_cycles, shot_window

RESPONSE, BANDWIDTH, BALANCE = "frequency_response", "power_bandwidth", "channel_balance"
CROSSTALK, IMPEDANCE = "crosstalk", "output_impedance"
MEASUREMENTS = (RESPONSE, BANDWIDTH, BALANCE, CROSSTALK, IMPEDANCE)
SMALL_PART = 0.125  # of the rated power: no small tone is asked for more
HALF_POWER = 0.5  # of the rated power: -3 dB (power bandwidth, IEC 60268-3, from memory)
POWER_TRIES = 2  # bursts: one that falls a little short is followed by one that does not
RISES = 2.0  # in power, from one tone to the next: what a boost may add before it is known
IMPEDANCE_REPEATS = 4  # of each load, in turn
CONNECT_S = 0.2  # two contacts, each way


def small_power_w(point: ValuePoint, unit: Unit, bench: Bench) -> float:
    """W of one channel: what the plan states, at most 1/8 of the rating (without one: of where it is to clip)."""
    rating = rating_for(unit, bench.load[point.load].nominal_ohm, point.supply_v, len(point.channels))
    most_w = rating.power_w if rating else full_power_w(point, unit, bench)
    return min(point.small_power_w, SMALL_PART * most_w)


def bandwidth_harmonics(point: ValuePoint, frequency_hz: float) -> int:
    """Highest harmonic counted, cut to the band; 1: none lies within it."""
    return max(harmonics_within(frequency_hz, point.harmonics, point.band_hz), 1)


def response_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> DistortionCost:
    """Upper bound: every record is taken to overload once."""
    return cost_of(list(_bursts(point, unit, bench, rest_s)), point, unit, bench)


def response_window(bench: Bench, point: ValuePoint) -> ShotWindow:
    """The longest record. Raises NoWindow."""
    return max((shot_window(bench, *one) for one in _captures(point)), key=lambda one: one.samples)


def longest_s(point: ValuePoint) -> float:
    """Of its bursts, s."""
    return max(cycles / hz for hz, cycles, _ in _captures(point))


def _captures(point: ValuePoint) -> list[tuple[float, int, int]]:
    """(Hz, cycles, harmonics) of each tone."""
    if point.measurement == BANDWIDTH:
        return [(hz, tone_burst_cycles(hz), bandwidth_harmonics(point, hz)) for hz in point.frequencies_hz]
    return [(hz, gain_cycles(hz), GAIN_HARMONICS) for hz in point.frequencies_hz]


def _bursts(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> Iterator[Burst]:
    full_w = full_power_w(point, unit, bench)
    rating = rating_for(unit, bench.load[point.load].nominal_ohm, point.supply_v, len(point.channels))
    half_w = HALF_POWER * MORE_THAN_DECLARED * (rating.power_w if rating else 0.0)
    small_w = RISES * small_power_w(point, unit, bench)
    yield Burst(0.0, max(tone_burst_cycles(hz) / hz for hz in point.frequencies_hz), rest_s, 2)
    for hz, cycles, _ in _captures(point):
        seconds = cycles / hz
        if point.measurement == BANDWIDTH:
            yield Burst(0.0, seconds, rest_s)
            rest = burst_rest_s(point.rest, rest_s, seconds, min(half_w / full_w, 1.0))
            yield Burst(half_w, seconds, rest, POWER_TRIES * len(WIDEN) if half_w else 0)
        elif point.measurement == IMPEDANCE:
            yield Burst(small_w, seconds, rest_s + CONNECT_S, 2 * IMPEDANCE_REPEATS)
        else:
            pairs = len(point.channels) if point.measurement == CROSSTALK else 1
            yield Burst(small_w, seconds, rest_s + CONNECT_S, math.ceil(pairs * len(WIDEN)))
