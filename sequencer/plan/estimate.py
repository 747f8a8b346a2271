"""What each point will cost, on paper: shots, time, joules, supply current. Pure.

Shots are an upper bound (95 of 100 searches need fewer), and four of five shots of a search are counted as if they
were at the limit: so the joules are an upper bound for a unit that clips where its file says. Heat follows the class B
law, of which D and H stay below, idle current during the shots included.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from sequencer.plan.clip import clip_volts, mean_magnitude, mean_square, overdrive_db, ratio
from sequencer.plan.cost import SHOT_OVERHEAD_S, Estimate
from sequencer.plan.estimate_heat import temper_at_most_s, temper_j
from sequencer.plan.estimate_values import value_estimate, value_rest_s
from sequencer.plan.heat_law import CONVERTER_EFFICIENCY, heat_law
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import AnyPoint, Point
from sequencer.plan.window import (
    RESIDUAL_UP_TO,
    NoWindow,
    ShotWindow,
    noise_floor,
    shot_window,
    steady_window,
    thd_floor,
)

__all__ = ["SHOT_OVERHEAD_S", "Estimate", "NoWindow", "ShotWindow", "clip_volts", "estimates", "rest_s", "shot_window"]

LEAST_REST_S = 1.0
DUTY = {"normal": 49.0, "quick": 19.0}  # rest in burst lengths: 2 % and 5 % duty (common practice, no source)
STEADY_REST = 10.0  # after a steady tone, in its lengths (common practice, no source)
COUPLING_CONSTANTS = 5.0
FIRST_OF_LOAD, LATER, LOWER_LIMIT = (
    16,
    10,
    6,
)  # search shots up to the first confirm, upper bounds (our own judgement)
OVERSHOOT_DB = 0.3  # a search passes its limit by no more
NEAR_PART = 0.8  # of the shots of a search: the first ones lie 6 to 20 dB below the limit (our own judgement)
PROOFS = 2  # of a load whose contacts can't be seen, a point: before and after it
QUIET_PART = 0.01  # of the power: twin and gain proof lie 20 dB down or more


@dataclass(frozen=True)
class _Place:
    """What came before a point on this unit: it decides how many shots it takes."""

    first_of_load: bool
    gain_to_prove: bool
    lower_limit: bool


def estimates(points: Sequence[AnyPoint], unit: Unit, bench: Bench, shots_at_most: int = 60) -> tuple[Estimate, ...]:
    """One estimate per point, in order. shots_at_most: the plan's budget for the search of one point."""
    loads: set[str] = set()
    proofs: set[tuple[object, ...]] = set()
    groups: set[int] = set()
    found = []
    for point in points:
        if not isinstance(point, Point):
            found.append(value_estimate(point, unit, bench))
            continue
        proof = (point.frequency_hz, point.load, point.channels, point.supply_v)
        place = _Place(point.load not in loads, proof not in proofs, point.group in groups)
        loads.add(point.load)
        proofs.add(proof)
        groups.add(point.group)
        found.append(_estimate(point, unit, bench, _shots(point, place, shots_at_most), place))
    if bench.contacts_seen:
        return tuple(found)
    return tuple(replace(one, time_s=one.time_s + PROOFS * (value_rest_s(unit) + SHOT_OVERHEAD_S)) for one in found)


def rest_s(unit: Unit, point: Point) -> float:
    """Rest after a burst: longest of 1 s, the duty's share, five of the slowest coupling time constant. After a steady
    tone ten times its length stands for the duty's share."""
    coupling_s = COUPLING_CONSTANTS / (2.0 * math.pi * unit.coupling_hz) if unit.coupling_hz > 0 else 0.0
    return max(LEAST_REST_S, (STEADY_REST if point.steady else DUTY[point.rest]) * point.burst_s, coupling_s)


@dataclass(frozen=True)
class _Shots:
    """loud: of the search and its confirms; near: as many at the limit take as much; quiet: twin and gain proof."""

    loud: int
    near: float
    quiet: int

    @property
    def all(self) -> int:
        return self.loud + self.quiet


def _shots(point: Point, place: _Place, at_most: int) -> _Shots:
    """Search, confirms, twin and gain proof; a lower limit of the same search shares what was already fired."""
    search = LOWER_LIMIT if place.lower_limit else FIRST_OF_LOAD if place.first_of_load else LATER
    loud, near = (min(part * search + point.confirm, at_most) for part in (1, NEAR_PART))
    if place.lower_limit:
        return _Shots(int(loud), near, 0)
    quiet = 1 if point.steady else 1 + int(place.gain_to_prove)  # steady: no twin, but a proof of its own
    return _Shots(int(loud), near, quiet)


def _estimate(point: Point, unit: Unit, bench: Bench, shots: _Shots, place: _Place) -> Estimate:
    load = bench.load[point.load]
    clips = clip_volts(unit, load.nominal_ohm, point.supply_v)
    over_db = overdrive_db(point.limit_pct) + OVERSHOOT_DB
    powers_w = {c: clips[c] ** 2 * mean_square(over_db) / load.ohm[c] for c in point.channels}
    drawn_w = sum(clips[c] ** 2 * mean_magnitude(over_db) / load.ohm[c] for c in point.channels)
    law = heat_law(unit, point.supply_v)
    heat_w = law.idle_w + sum(law.most_heat_w(clips[c] ** 2 / (2.0 * load.ohm[c]), load.ohm[c]) for c in point.channels)
    rest, signal_s = rest_s(unit, point), shots.all * point.burst_s
    thermal = "any" if place.lower_limit else point.thermal
    warming = temper_j(point, thermal, unit, bench)
    shots_s = shots.all * (rest + SHOT_OVERHEAD_S)
    idle_a = law.idle_w / point.supply_v
    converter = CONVERTER_EFFICIENCY if unit.front_end == "converter" else 1.0
    window = _window(bench, point)
    return Estimate(
        id=point.id,
        clip_v=max(clips[c] for c in point.channels),
        level_vrms=max(_level_vrms(unit, c, clips[c]) for c in point.channels) * ratio(over_db),
        power_w=max(powers_w.values()),
        burst_j=max(powers_w.values()) * point.burst_s,
        shots=shots.all,
        rest_s=rest,
        time_s=shots_s + signal_s + temper_at_most_s(thermal),
        energy_load_j=sum(powers_w.values()) * point.burst_s * (shots.near + QUIET_PART * shots.quiet) + warming.load_j,
        energy_unit_j=heat_w * point.burst_s * (shots.near + shots.quiet) + warming.unit_j,
        idle_j=law.idle_w * (shots_s + temper_at_most_s(thermal)),
        supply_a=drawn_w / (converter * point.supply_v) + idle_a,
        window=window,
        floor_pct=None if window is None else 100.0 * floor(bench, point, window),
    )


def _level_vrms(unit: Unit, name: str, clip_v: float) -> float:
    own = next(c.gain_db for c in unit.channel if c.name == name)
    return clip_v / math.sqrt(2.0) / ratio(unit.gain_db if own is None else own)


def point_window(bench: Bench, point: Point) -> ShotWindow:
    """The capture of a point's shots. Raises NoWindow."""
    take = steady_window if point.steady else shot_window
    return take(bench, point.frequency_hz, harmonics=point.harmonics, cycles=point.cycles)


def _window(bench: Bench, point: Point) -> ShotWindow | None:
    try:
        return point_window(bench, point)
    except NoWindow:
        return None


def floor(bench: Bench, point: Point, window: ShotWindow) -> float:
    """Ratio that the digitiser alone shows as the point's quantity: last cycle (steady: whole record), 80 % of the
    range.

    Up to three cycles are judged by subtracting a twin on a range of its own, whose noise adds: a factor sqrt(2).
    """
    bits = bench.digitiser.bits
    samples = window.samples if point.steady else window.sample_rate_hz / point.frequency_hz
    own = thd_floor(bits, samples, point.harmonics)
    if point.quantity == "thd_n":
        return math.hypot(own, noise_floor(bits, window.sample_rate_hz, point.band_hz))
    return own * math.sqrt(2.0) if point.cycles <= RESIDUAL_UP_TO else own
