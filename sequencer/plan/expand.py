"""A plan becomes points, in running order: from easy to brutal, whatever the file's order. Pure.

Within a stage the order is: supply volts rising; loads from high to low ohms; the channel sets as given;
frequencies from 1 kHz outwards; bursts from short to long, then steady tones. Each point so inherits the best
prediction from a neighbour, and the hardest ones come last. Stages themselves run in the order of the file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

from sequencer.plan.hand_order import fewest_changes
from sequencer.plan.models import Bench, Load, Plan, Stage, StopLimit, Unit
from sequencer.plan.points import AnyPoint, Point, Quantity, ValuePoint, drive_cycles, harmonics_within, parse_drive

FEW_CYCLES = 3  # that many and fewer begin and end while the coupling is still settling
COUPLING_RATIO = 20.0  # below 20 x the corner the first cycle of a perfect unit reads about 1 % and more
CONFIRM_BURST, CONFIRM_MAINS = 3, 5  # common practice, no source
CONFIRM_STEADY, CONFIRM_STEADY_LOWEST = 2, 1  # the unit is spared (common practice, no source)
STEADY_LOWEST_DB = 0.1  # resolution of a steady tone into the lowest load (common practice, no source)
# A fingerprint of the controls: bass, middle, treble (common practice, no source).
GAIN_FREQUENCIES_HZ = (20.0, 40.0, 63.0, 100.0, 1000.0, 10000.0, 20000.0)
# 1, 2, 5 in each decade of the band (common practice, no source).
DISTORTION_FREQUENCIES_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)
OWN_TONES = {"gain": GAIN_FREQUENCIES_HZ, "thd_by_frequency": DISTORTION_FREQUENCIES_HZ}  # all tones in one point
# Thirds and whole octaves of ISO 266 (from memory).
THIRDS_HZ = (
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0, 500.0, 630.0, 800.0,
    1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12500.0, 16000.0, 20000.0,
)  # fmt: skip
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
OWN_TONES |= {"frequency_response": THIRDS_HZ, "channel_balance": OCTAVES_HZ}
OWN_TONES |= {"power_bandwidth": DISTORTION_FREQUENCIES_HZ}
OWN_TONES |= {"crosstalk": (100.0, 1000.0, 5000.0, 10000.0, 20000.0), "output_impedance": (100.0, 1000.0, 10000.0)}
POWER = "output_power"
BANDWIDTH, BANDWIDTH_BAND_HZ = "power_bandwidth", (20.0, 80000.0)  # so that 20 kHz has harmonics (common practice)
ONE_TONE = ("steady_efficiency", "soak", "protection", "thd_by_level")  # a point for each frequency of the stage
POWER_PARTS = {"steady_efficiency": (1.0, 1.0 / 3.0, 1.0 / 8.0), "soak": (1.0 / 8.0,)}  # common practice, no source
POWER_PARTS |= {"thd_by_frequency": (0.5,), "intermodulation": (0.5,)}  # common practice, no source
POWER_PARTS |= {"precondition": (1.0 / 8.0,), "load_check": (1.0 / 8.0,)}  # common practice, no source
POWER_PARTS |= {"endurance": (1.0 / 8.0,)}  # common practice, no source
POWER_PARTS |= {"stability": (0.5,)}  # common practice, no source
# Minutes: 16 CFR 432.3 (from memory) for the hour; the others common practice, no source.
MINUTES = {"soak": 45.0, "precondition": 60.0, "load_check": 3.0, "endurance": 240.0}
RESOLUTION_DB = {"regulated": 0.05, "battery": 0.1, "mains": 0.2}  # common practice, no source


@dataclass(frozen=True)
class _Drive:
    """One burst into one load at one supply: what several limits share."""

    supply_v: float
    load: str
    channels: tuple[str, ...]
    thermal: str
    frequency_hz: float
    cycles: int
    steady: bool


def expand(plan: Plan, unit: Unit, bench: Bench) -> tuple[AnyPoint, ...]:
    """Every point that can be built, in running order.

    What cannot be built (a load that is not there, a drive that is no burst) is left out here and said by
    `sequencer.plan.refuse.refusals`; a plan without refusals is built whole.
    """
    points: list[AnyPoint] = []
    for stage in plan.stage:
        if stage.measurement == POWER:
            _add_power_points(points, plan, stage, unit, bench)
        else:
            _add_value_points(points, plan, stage, unit, bench)
    return fewest_changes(points, plan, bench)


def _add_power_points(points: list[AnyPoint], plan: Plan, stage: Stage, unit: Unit, bench: Bench) -> None:
    for drive in _drives(stage, unit, bench):
        for quantity, limits in limits_of(stage.stop_limit):
            group = _next_group(points)
            for limit_pct in sorted(limits, reverse=True):
                points.append(
                    _point(_Asked(plan, unit, bench, stage), drive, (quantity, limit_pct), (len(points) + 1, group))
                )


def _add_value_points(points: list[AnyPoint], plan: Plan, stage: Stage, unit: Unit, bench: Bench) -> None:
    for supply_v, load in product(sorted(supply_volts(stage, unit)), value_loads(stage, unit, bench)):
        for channels in channel_sets(stage, unit):
            if not _reached(channels, bench.load[load].ohm, unit):
                continue
            for tones, thermal in product(_tones(stage, unit), stage.thermal):
                points.append(
                    ValuePoint(
                        id=_id(len(points) + 1),
                        stage=stage.name,
                        measurement=stage.measurement,
                        load=load,
                        supply_v=supply_v,
                        channels=channels,
                        group=_next_group(points),
                        after_trip=stage.after_trip,
                        keep_traces=stage.keep_traces,
                        rest=plan.rest,
                        frequencies_hz=tones,
                        wait=stage.wait,
                        by_hand=stage.by_hand,
                        thermal=thermal,
                        minutes=minutes_of(stage),
                        mains_hz=stage.options.mains_hz,
                        power_cycles=stage.options.power_cycles,
                        dropout_db=stage.options.dropout_db,
                        offset_jump_v=stage.options.offset_jump_v,
                        small_gain_db=stage.options.small_gain_db,
                        capacitors_nf=stage.options.capacitors_nf,
                        power_parts=power_parts(stage),
                        powers_w=stage.options.powers_w,
                        levels_db=tuple(sorted(stage.options.levels_db)),
                        tone_pairs=stage.options.tone_pairs,
                        small_power_w=stage.options.small_power_w,
                        second_load=second_load(stage, unit, bench, load),
                        **_limit(stage),
                    )
                )


def second_load(stage: Stage, unit: Unit, bench: Bench, load: str) -> str | None:
    """Of `output_impedance`: the stage's own, else the bench's of the next lower ohms that the unit may see."""
    if stage.measurement != "output_impedance" or stage.options.second_load is not None:
        return stage.options.second_load
    channels = {name for names in channel_sets(stage, unit) for name in names}
    first_ohm = bench.load[load].nominal_ohm
    lower = [
        name
        for name, one in bench.load.items()
        if unit.minimum_load_ohm <= one.nominal_ohm < first_ohm and channels <= set(one.ohm) and not one.by_hand
    ]
    return next(iter(_from_high_ohms(lower, bench)), None)


def _limit(stage: Stage) -> dict[str, Any]:
    """What a power bandwidth is judged by; nothing for the others."""
    stop, given = stage.stop_limit, "stop_limit" in stage.model_fields_set
    if stage.measurement != BANDWIDTH:
        return {}
    quantity, limits = limits_of(stop)[0]
    wide = quantity == "thd" and "band_hz" not in stop.model_fields_set
    band_hz = BANDWIDTH_BAND_HZ if wide else stop.band_hz
    limit_pct = limits[0] if given else None
    return {"quantity": quantity, "limit_pct": limit_pct, "harmonics": stop.harmonics, "band_hz": band_hz}


def _tones(stage: Stage, unit: Unit) -> list[tuple[float, ...]]:
    """What each point of the stage is driven with: all tones of a gain, else one each, or none."""
    if stage.measurement in OWN_TONES:
        return [own_frequencies(stage, unit)]
    if stage.measurement in ONE_TONE:
        return [(hz,) for hz in sorted(stage.frequencies_hz, key=_from_1_khz)]
    return [()]


def power_parts(stage: Stage) -> tuple[float, ...]:
    """Parts of the full power, highest first: the stage's own, else the usual ones of its measurement."""
    own = stage.options.power_parts
    return tuple(sorted(POWER_PARTS.get(stage.measurement, ()) if own is None else own, reverse=True))


def minutes_of(stage: Stage) -> float:
    """The stage's own, else the usual ones of its measurement."""
    own = stage.options.minutes
    return MINUTES.get(stage.measurement, MINUTES["soak"]) if own is None else own


def _id(number: int) -> str:
    return f"p{number:03d}"


def _next_group(points: Sequence[AnyPoint]) -> int:
    return points[-1].group + 1 if points else 1


def value_loads(stage: Stage, unit: Unit, bench: Bench) -> list[str]:
    """The stage's loads that are there, from high to low ohms; without any, the bench's one of highest ohms."""
    if stage.loads:
        return _from_high_ohms([n for n in stage.loads if n in bench.load], bench)
    driven = {name for names in channel_sets(stage, unit) for name in names}
    reached = [n for n, load in bench.load.items() if driven <= set(load.ohm)]
    fitting = [n for n in reached if not bench.load[n].by_hand] or reached
    return _from_high_ohms(fitting, bench)[:1]


def own_frequencies(stage: Stage, unit: Unit) -> tuple[float, ...]:
    """Rising; the stage's own, else the usual ones of its measurement that lie within the unit's passband."""
    if "frequencies_hz" in stage.model_fields_set:
        return tuple(sorted(stage.frequencies_hz))
    low, high = unit.passband_hz
    return tuple(hz for hz in OWN_TONES[stage.measurement] if low <= hz <= high)


def _from_high_ohms(names: Sequence[str], bench: Bench) -> list[str]:
    return sorted(names, key=lambda n: -bench.load[n].nominal_ohm)


def _reached(channels: Sequence[str], ohm: Mapping[str, float], unit: Unit) -> bool:
    """Every channel is one of the unit's, and the load has ohms for it."""
    return set(channels) <= set(ohm) & set(unit.channel_names())


def limits_of(stop: StopLimit) -> list[tuple[Quantity, tuple[float, ...]]]:
    """Each quantity that ends a ramp, with its limits in percent as the file gives them."""
    given: list[tuple[Quantity, float | tuple[float, ...] | None]] = [
        ("thd", stop.thd_pct),
        ("thd_n", stop.thd_n_pct),
    ]
    return [(q, v if isinstance(v, tuple) else (v,)) for q, v in given if v is not None]


def channel_sets(stage: Stage, unit: Unit) -> list[tuple[str, ...]]:
    """The sets of channels driven together."""
    if stage.channels == "all":
        return [unit.channel_names()]
    if stage.channels == "each":
        return [(name,) for name in unit.channel_names()]
    return [tuple(stage.channels)]


def supply_volts(stage: Stage, unit: Unit) -> tuple[float, ...]:
    """The stage's own, else the unit's nominal."""
    return stage.supply_v if stage.supply_v is not None else (unit.supply_v.nominal,)


def behind_coupling(unit: Unit, frequency_hz: float) -> bool:
    """Whether a coupling corner is so near that single cycles are the least certain, and so come last."""
    return frequency_hz < COUPLING_RATIO * unit.coupling_hz


def confirms(stage: Stage, bench: Bench) -> int:
    """Fresh bursts at the accepted level: the stage's own, else 3, on mains 5."""
    if stage.confirm is not None:
        return stage.confirm
    return CONFIRM_MAINS if bench.supply_kind == "mains" else CONFIRM_BURST


def steady_confirms(unit: Unit, load: Load) -> int:
    """Fresh steady tones at the accepted level: 2, into the lowest load 1, whatever the stage says of bursts."""
    return CONFIRM_STEADY_LOWEST if is_lowest(unit, load) else CONFIRM_STEADY


def is_lowest(unit: Unit, load: Load) -> bool:
    """Whether this is as low a load as the unit may ever see for longer than a burst, or lower."""
    return load.nominal_ohm <= unit.minimum_load_ohm


def resolution_db(stage: Stage, bench: Bench) -> float:
    """The stage's own where the file gives it, else what the kind of supply lets one resolve."""
    return stage.resolution_db if "resolution_db" in stage.model_fields_set else RESOLUTION_DB[bench.supply_kind]


def _steady_resolution_db(stage: Stage, unit: Unit, bench: Bench, load: Load) -> float:
    own_db = resolution_db(stage, bench)
    given = "resolution_db" in stage.model_fields_set
    return max(own_db, STEADY_LOWEST_DB) if is_lowest(unit, load) and not given else own_db


def _drives(stage: Stage, unit: Unit, bench: Bench) -> Iterator[_Drive]:
    loads = _from_high_ohms([n for n in stage.loads if n in bench.load], bench)
    for supply_v, load in product(sorted(supply_volts(stage, unit)), loads):
        for channels in channel_sets(stage, unit):
            if not _reached(channels, bench.load[load].ohm, unit):
                continue
            for thermal, frequency_hz in product(stage.thermal, sorted(stage.frequencies_hz, key=_from_1_khz)):
                for cycles, steady in _in_order(stage, unit, frequency_hz):
                    yield _Drive(supply_v, load, channels, thermal, frequency_hz, cycles, steady)


def _from_1_khz(frequency_hz: float) -> tuple[float, float]:
    return abs(math.log(frequency_hz / 1000.0)), frequency_hz


def _in_order(stage: Stage, unit: Unit, frequency_hz: float) -> list[tuple[int, bool]]:
    """(cycles, steady): bursts from short to long, then the steady tones, which heat the most."""
    few_last = behind_coupling(unit, frequency_hz)
    drives = set()
    for text in stage.drives:
        cycles = drive_cycles(text, frequency_hz)
        if cycles:
            drives.add((cycles, parse_drive(text).steady_s is not None))
    return sorted(drives, key=lambda one: (one[1], few_last and one[0] <= FEW_CYCLES, one[0]))


@dataclass(frozen=True)
class _Asked:
    """A stage with the files around it."""

    plan: Plan
    unit: Unit
    bench: Bench
    stage: Stage

    def confirms(self, drive: _Drive) -> int:
        return (
            steady_confirms(self.unit, self.bench.load[drive.load])
            if drive.steady
            else confirms(self.stage, self.bench)
        )

    def resolution_db(self, drive: _Drive) -> float:
        if drive.steady:
            return _steady_resolution_db(self.stage, self.unit, self.bench, self.bench.load[drive.load])
        return resolution_db(self.stage, self.bench)


def _point(asked: _Asked, drive: _Drive, limit: tuple[Quantity, float], numbers: tuple[int, int]) -> Point:
    stage = asked.stage
    stop = stage.stop_limit
    return Point(
        id=_id(numbers[0]),
        stage=stage.name,
        measurement=stage.measurement,
        load=drive.load,
        frequency_hz=drive.frequency_hz,
        cycles=drive.cycles,
        steady=drive.steady,
        supply_v=drive.supply_v,
        channels=drive.channels,
        thermal=drive.thermal,
        quantity=limit[0],
        limit_pct=limit[1],
        group=numbers[1],
        resolution_db=asked.resolution_db(drive),
        confirm=asked.confirms(drive),
        harmonics=harmonics_within(drive.frequency_hz, stop.harmonics, stop.band_hz),
        band_hz=stop.band_hz,
        any_cycle_factor=stop.any_cycle_factor,
        rail_sag_pct=stop.rail_sag_pct,
        after_trip=stage.after_trip,
        keep_traces=stage.keep_traces,
        rest=asked.plan.rest,
        by_hand=stage.by_hand,
    )
