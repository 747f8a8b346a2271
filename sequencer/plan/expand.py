"""A plan becomes points, in running order: from easy to brutal, whatever the file's order. Pure.

Within a stage the order is: supply volts rising; loads from high to low ohms; the channel sets as given;
frequencies from 1 kHz outwards; bursts from short to long. Each point so inherits the best prediction from a
neighbour, and the hardest ones come last. Stages themselves run in the order of the file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

from sequencer.plan.models import Bench, Plan, Stage, StopLimit, Unit
from sequencer.plan.points import AnyPoint, Point, Quantity, ValuePoint, burst_cycles, harmonics_within

FEW_CYCLES = 3  # that many and fewer begin and end while the coupling is still settling
COUPLING_RATIO = 20.0  # below 20 x the corner the first cycle of a perfect unit reads about 1 % and more
CONFIRM_BURST, CONFIRM_MAINS = 3, 5  # common practice, no source
# A fingerprint of the controls: bass, middle, treble (common practice, no source).
GAIN_FREQUENCIES_HZ = (20.0, 40.0, 63.0, 100.0, 1000.0, 10000.0, 20000.0)
POWER = "output_power"
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
    return tuple(points)


def _add_power_points(points: list[AnyPoint], plan: Plan, stage: Stage, unit: Unit, bench: Bench) -> None:
    for drive in _drives(stage, unit, bench):
        for quantity, limits in limits_of(stage.stop_limit):
            group = _next_group(points)
            for limit_pct in sorted(limits, reverse=True):
                points.append(_point(plan, bench, stage, drive, (quantity, limit_pct), (len(points) + 1, group)))


def _add_value_points(points: list[AnyPoint], plan: Plan, stage: Stage, unit: Unit, bench: Bench) -> None:
    for supply_v, load in product(sorted(supply_volts(stage, unit)), value_loads(stage, unit, bench)):
        for channels in channel_sets(stage, unit):
            if not _reached(channels, bench.load[load].ohm, unit):
                continue
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
                    frequencies_hz=gain_frequencies(stage, unit) if stage.measurement == "gain" else (),
                    wait=stage.wait,
                )
            )


def _id(number: int) -> str:
    return f"p{number:03d}"


def _next_group(points: Sequence[AnyPoint]) -> int:
    return points[-1].group + 1 if points else 1


def value_loads(stage: Stage, unit: Unit, bench: Bench) -> list[str]:
    """The stage's loads that are there, from high to low ohms; without any, the bench's one of highest ohms."""
    if stage.loads:
        return _from_high_ohms([n for n in stage.loads if n in bench.load], bench)
    driven = {name for names in channel_sets(stage, unit) for name in names}
    return _from_high_ohms([n for n, load in bench.load.items() if driven <= set(load.ohm)], bench)[:1]


def gain_frequencies(stage: Stage, unit: Unit) -> tuple[float, ...]:
    """Rising; the stage's own, else those of the fingerprint that lie within the unit's passband."""
    if "frequencies_hz" in stage.model_fields_set:
        return tuple(sorted(stage.frequencies_hz))
    low, high = unit.passband_hz
    return tuple(hz for hz in GAIN_FREQUENCIES_HZ if low <= hz <= high)


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
    """Fresh shots at the accepted level: the stage's own, else 3, on mains 5."""
    if stage.confirm is not None:
        return stage.confirm
    return CONFIRM_MAINS if bench.supply_kind == "mains" else CONFIRM_BURST


def resolution_db(stage: Stage, bench: Bench) -> float:
    """The stage's own where the file gives it, else what the kind of supply lets one resolve."""
    return stage.resolution_db if "resolution_db" in stage.model_fields_set else RESOLUTION_DB[bench.supply_kind]


def _drives(stage: Stage, unit: Unit, bench: Bench) -> Iterator[_Drive]:
    loads = _from_high_ohms([n for n in stage.loads if n in bench.load], bench)
    for supply_v, load in product(sorted(supply_volts(stage, unit)), loads):
        for channels in channel_sets(stage, unit):
            if not _reached(channels, bench.load[load].ohm, unit):
                continue
            for thermal, frequency_hz in product(stage.thermal, sorted(stage.frequencies_hz, key=_from_1_khz)):
                for cycles in _in_order(stage, behind_coupling(unit, frequency_hz)):
                    yield _Drive(supply_v, load, channels, thermal, frequency_hz, cycles)


def _from_1_khz(frequency_hz: float) -> tuple[float, float]:
    return abs(math.log(frequency_hz / 1000.0)), frequency_hz


def _in_order(stage: Stage, few_last: bool) -> list[int]:
    bursts = {n for n in map(burst_cycles, stage.drives) if n is not None}
    return sorted(bursts, key=lambda n: (few_last and n <= FEW_CYCLES, n))


def _point(
    plan: Plan,
    bench: Bench,
    stage: Stage,
    drive: _Drive,
    limit: tuple[Quantity, float],
    numbers: tuple[int, int],
) -> Point:
    stop = stage.stop_limit
    return Point(
        id=_id(numbers[0]),
        stage=stage.name,
        measurement=stage.measurement,
        load=drive.load,
        frequency_hz=drive.frequency_hz,
        cycles=drive.cycles,
        steady=False,
        supply_v=drive.supply_v,
        channels=drive.channels,
        thermal=drive.thermal,
        quantity=limit[0],
        limit_pct=limit[1],
        group=numbers[1],
        resolution_db=resolution_db(stage, bench),
        confirm=confirms(stage, bench),
        harmonics=harmonics_within(drive.frequency_hz, stop.harmonics, stop.band_hz),
        band_hz=stop.band_hz,
        any_cycle_factor=stop.any_cycle_factor,
        rail_sag_pct=stop.rail_sag_pct,
        after_trip=stage.after_trip,
        keep_traces=stage.keep_traces,
        rest=plan.rest,
    )
