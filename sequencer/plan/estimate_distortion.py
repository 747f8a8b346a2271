"""What the measurements of distortion fire, and what that costs at most, on paper. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from sequencer.plan.clip import clip_volts, ratio
from sequencer.plan.cost import SHOT_OVERHEAD_S
from sequencer.plan.estimate_efficiency import full_level_vrms, full_power_w, full_supply_a
from sequencer.plan.estimate_heat import MORE_THAN_DECLARED
from sequencer.plan.heat_law import heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint, harmonics_within, hertz
from sequencer.plan.ratings import rating_for
from sequencer.plan.window import GAIN_HARMONICS, ShotWindow, shot_window

BY_LEVEL, BY_FREQUENCY, HEADROOM = "thd_by_level", "thd_by_frequency", "dynamic_headroom"
INTERMODULATION = "intermodulation"
MEASUREMENTS = (BY_LEVEL, BY_FREQUENCY, HEADROOM, INTERMODULATION)
HARMONICS, BAND_HZ = 20, (20.0, 20000.0)  # as of a search's stop limit
# A burst's later half is read. Below 1 kHz what a coupling capacitor leaves lies near the tone: it must die away first.
BURST_S, LOW_BURST_S, LOW_HZ, LEAST_CYCLES = 0.02, 0.4, 1000.0, 10  # common practice, no source
DUTY = {"normal": 49.0, "quick": 19.0}  # rest in burst lengths above 1/8 power, as after a search's bursts
LITTLE_PART = 0.125  # of the full power: bursts at no more need only the rest of a harmless one
WIDEN = (1.0, 2.0)  # ranges tried for a record that overloads

# IHF-A-202 (from memory): 1 kHz, 20 ms twice a second, 20 dB down between.
HEADROOM_HZ, HEADROOM_CYCLES, BETWEEN_CYCLES, BETWEEN_DB = 1000.0, 20, 480, -20.0
PATTERNS, STEP_DOWN_DB, STEPS_DOWN = 3, 0.1, 5
SEARCH_SHOTS = 60


@dataclass(frozen=True)
class TonePair:
    """Two tones, the first one's peak over the second's, and how many of the first one's cycles are fired."""

    first_hz: float
    second_hz: float
    ratio: float
    cycles: int

    @property
    def burst_s(self) -> float:
        return self.cycles / self.first_hz

    @property
    def words(self) -> str:
        return f"{hertz(self.first_hz)} and {hertz(self.second_hz)}, {self.ratio:g}:1"


# SMPTE RP 120 and the difference tones of IEC 60268-3; both tones end on whole cycles.
TONE_PAIRS: Mapping[str, TonePair] = {
    "modulation": TonePair(60.0, 7000.0, 4.0, 15),
    "difference": TonePair(19000.0, 20000.0, 1.0, 760),
}


@dataclass(frozen=True)
class Burst:
    """So many like bursts. power_w: of the largest channel."""

    power_w: float
    seconds: float
    rest_s: float
    count: int = 1


@dataclass(frozen=True)
class DistortionCost:
    """power_w: of one channel at the highest level. load_j, unit_j: of all bursts, idle current included."""

    shots: int
    time_s: float
    signal_s: float
    level_vrms: float
    power_w: float
    load_j: float
    unit_j: float
    supply_a: float


def tone_burst_cycles(frequency_hz: float) -> int:
    """Cycles of a burst whose distortion is read."""
    seconds = LOW_BURST_S if frequency_hz < LOW_HZ else BURST_S
    return max(LEAST_CYCLES, math.ceil(seconds * frequency_hz - 1e-9))


def tone_harmonics(frequency_hz: float) -> int:
    """Highest harmonic counted: 20, cut to the band; 1: none lies within it."""
    return max(harmonics_within(frequency_hz, HARMONICS, BAND_HZ), 1)


def burst_rest_s(rest: str, least_s: float, burst_s: float, part: float) -> float:
    """After a burst at `part` of the full power."""
    return least_s if part <= LITTLE_PART else max(least_s, DUTY[rest] * burst_s)


def rated_power_w(point: ValuePoint, unit: Unit, bench: Bench) -> float | None:
    """What the unit's file rates one channel at into this load at these volts; None where it says nothing."""
    rating = rating_for(unit, bench.load[point.load].nominal_ohm, point.supply_v, len(point.channels))
    return rating.power_w if rating else None


def asked_powers_w(point: ValuePoint, rated_w: float | None) -> dict[float, str]:
    """Of `thd_by_frequency`: W of one channel -> in words, from low to high; without a rating the absolute ones."""
    found = {watts: f"{watts:g} W" for watts in point.powers_w}
    if rated_w is not None:
        found |= {
            part * rated_w: f"{part * rated_w:.4g} W, {part:.3g} of the rated power" for part in point.power_parts
        }
    return dict(sorted(found.items()))


def distortion_cost(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> DistortionCost:
    """Upper bound: every record is taken to overload once."""
    return cost_of(list(_bursts(point, unit, bench, rest_s)), point, unit, bench)


def cost_of(fired: Sequence[Burst], point: ValuePoint, unit: Unit, bench: Bench) -> DistortionCost:
    """Of all these bursts together."""
    load, law = bench.load[point.load], heat_law(unit, point.supply_v)
    high = max((one.power_w for one in fired), default=0.0)
    full_w = full_power_w(point, unit, bench)
    whole = replace(point, power_parts=(1.0,))
    share = math.sqrt(high / full_w)
    signal_s = sum(one.seconds * one.count for one in fired)
    heat_j = sum(
        (law.idle_w + sum(law.most_heat_w(one.power_w, load.ohm[n]) for n in point.channels)) * one.seconds * one.count
        for one in fired
    )
    shots = sum(one.count for one in fired)
    return DistortionCost(
        shots=shots,
        time_s=sum((one.seconds + one.rest_s + SHOT_OVERHEAD_S) * one.count for one in fired),
        signal_s=signal_s,
        level_vrms=share * full_level_vrms(whole, unit, bench),
        power_w=high,
        load_j=sum(one.power_w * one.seconds * one.count for one in fired) * len(point.channels),
        unit_j=heat_j,
        supply_a=min(share, 1.0) * full_supply_a(whole, unit, bench),
    )


def distortion_window(bench: Bench, point: ValuePoint) -> ShotWindow:
    """The longest record. Raises NoWindow."""
    return max((shot_window(bench, *one) for one in _captures(point)), key=lambda one: one.samples)


def _captures(point: ValuePoint) -> list[tuple[float, int, int]]:
    """(Hz, cycles, harmonics) of each kind of burst."""
    if point.measurement == HEADROOM:
        return [(HEADROOM_HZ, HEADROOM_CYCLES, HARMONICS), (HEADROOM_HZ, BETWEEN_CYCLES, GAIN_HARMONICS)]
    if point.measurement == INTERMODULATION:
        pairs = [TONE_PAIRS[name] for name in point.tone_pairs]
        return [(pair.first_hz, pair.cycles, pair_harmonics(pair)) for pair in pairs]
    return [(hz, tone_burst_cycles(hz), tone_harmonics(hz)) for hz in point.frequencies_hz]


def longest_loud_s(point: ValuePoint) -> float:
    """Of the bursts at the highest level, s: those between the bursts of a headroom are 20 dB down."""
    if point.measurement == HEADROOM:
        return HEADROOM_CYCLES / HEADROOM_HZ
    return max(cycles / hz for hz, cycles, _ in _captures(point))


def pair_harmonics(pair: TonePair) -> int:
    """In terms of the first tone, what the record must show: the band."""
    return max(math.ceil(BAND_HZ[1] / pair.first_hz), 2)


def _bursts(point: ValuePoint, unit: Unit, bench: Bench, rest_s: float) -> Iterator[Burst]:
    clips = clip_volts(unit, bench.load[point.load].nominal_ohm, point.supply_v)
    ohm = bench.load[point.load].ohm
    full_w = MORE_THAN_DECLARED * max(clips[n] ** 2 / 2.0 / ohm[n] for n in point.channels)

    def at(power_w: float, seconds: float, count: int = len(WIDEN)) -> Burst:
        return Burst(power_w, seconds, burst_rest_s(point.rest, rest_s, seconds, power_w / full_w), count)

    for hz, cycles, _ in _captures(point):  # the gain is proved at a harmless level before anything louder
        yield Burst(0.0, min(cycles, tone_burst_cycles(hz)) / hz, rest_s)
    if point.measurement == BY_LEVEL:
        (hz,) = point.frequencies_hz
        for db in point.levels_db:
            yield at(full_w * ratio(2.0 * db), tone_burst_cycles(hz) / hz)
    elif point.measurement == BY_FREQUENCY:
        for hz in point.frequencies_hz:
            for watts in asked_powers_w(point, rated_power_w(point, unit, bench)):
                yield at(watts, tone_burst_cycles(hz) / hz)
    elif point.measurement == HEADROOM:
        loud = SEARCH_SHOTS + PATTERNS * (1 + STEPS_DOWN)
        yield at(full_w, HEADROOM_CYCLES / HEADROOM_HZ, loud)
        between_s = BETWEEN_CYCLES / HEADROOM_HZ
        yield at(full_w * ratio(2.0 * BETWEEN_DB), between_s, PATTERNS * (1 + STEPS_DOWN))
    else:
        for name in point.tone_pairs:
            for part in point.power_parts:
                yield at(part * full_w, TONE_PAIRS[name].burst_s)
