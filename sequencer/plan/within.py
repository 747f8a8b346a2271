"""What a plan or a unit file says that cannot be meant, seen from that file alone. Pure; benches are in
within_bench."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

from sequencer.errors import Problem
from sequencer.plan.expand import limits_of
from sequencer.plan.models import Plan, Stage, Unit
from sequencer.plan.points import CYCLES_AT_MOST, parse_drive
from sequencer.plan.window import steady_record_s
from sequencer.plan.wording import shown

LIMIT_AT_MOST_PCT = 30.0  # a square wave has 48.3 %: nothing is learned near it
THD_N_CYCLES = 3
GAIN_AT_MOST_DB = 80.0
STEADY_LEAST_S = 0.5  # a supply and its meter have come to rest (common practice, no source)
STEADY_RECORDS = 2.0  # a tone lasts so many times what is read of it: the reading is of its second half
POWER = "output_power"
_OF_A_POWER = ("drives", "stop_limit", "resolution_db", "confirm")
NEEDLESS: dict[str, tuple[str, ...]] = {
    POWER: ("wait",),
    "output_offset": (*_OF_A_POWER, "frequencies_hz", "thermal"),
    "idle_current": (*_OF_A_POWER, "frequencies_hz", "channels", "thermal"),
    "idle_adjustment": (*_OF_A_POWER, "frequencies_hz", "channels", "thermal", "wait"),
    "protection": (*_OF_A_POWER, "wait", "thermal"),
    "soak": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "gain": (*_OF_A_POWER, "wait"),
    "steady_efficiency": (*_OF_A_POWER, "wait", "thermal"),
    "thd_by_level": (*_OF_A_POWER, "wait"),
    "thd_by_frequency": (*_OF_A_POWER, "wait"),
    "dynamic_headroom": (*_OF_A_POWER, "frequencies_hz", "wait"),
    "intermodulation": (*_OF_A_POWER, "frequencies_hz", "wait"),
    "stability": (*_OF_A_POWER, "frequencies_hz", "wait"),
    "noise": (*_OF_A_POWER, "frequencies_hz", "wait"),
    "turn_on": (*_OF_A_POWER, "frequencies_hz", "wait"),
    "load_check": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "endurance": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "precondition": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "frequency_response": (*_OF_A_POWER, "wait"),
    "channel_balance": (*_OF_A_POWER, "wait"),
    "crosstalk": (*_OF_A_POWER, "wait"),
    "output_impedance": (*_OF_A_POWER, "wait"),
    "power_bandwidth": ("drives", "resolution_db", "confirm", "wait"),
    "first_power": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "range_transfer": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "terminal_scan": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
    "bench_check": (*_OF_A_POWER, "frequencies_hz", "wait", "thermal"),
}


def plan_problems(plan: Plan, file: str) -> list[Problem]:
    """Names twice, drives of no known form, limits that cannot be, and what this version does not do."""
    found = list(twice([s.name for s in plan.stage], "stage[{}].name", file))
    for key, value in plan.limits.items():
        remedy = "this version has no such limits: those of the unit's [heat] and the stage's stop_limit hold"
        found.append(Problem(file, f"limits.{key}", shown(value), remedy))
    for number, stage in enumerate(plan.stage):
        found += _stage_problems(stage, f"stage[{number}]", file)
    return found


def twice(values: Sequence[Any], key: str, file: str) -> Iterator[Problem]:
    """A problem for each value that was there before; `key` holds a place for its number."""
    for number, value in enumerate(values):
        if value in values[:number]:
            yield Problem(file, key.format(number), shown(value), "given twice: each only once")


def _stage_problems(stage: Stage, key: str, file: str) -> Iterator[Problem]:
    for name in ("loads", "frequencies_hz", "drives", "thermal"):
        yield from twice(getattr(stage, name), f"{key}.{name}[{{}}]", file)
    for name in ("supply_v", "channels", "thermal"):
        values = getattr(stage, name)
        if isinstance(values, tuple):
            yield from twice(values, f"{key}.{name}[{{}}]", file) if name != "thermal" else ()
            if not values:
                yield Problem(file, f"{key}.{name}", "[]", "at least one value, or leave the key out")
    yield from _needless(stage, key, file)
    yield from _drive_problems(stage, key, file)
    yield from _limit_problems(stage, f"{key}.stop_limit", file)


def _needless(stage: Stage, key: str, file: str) -> Iterator[Problem]:
    """Loads where a power is asked; and keys that say nothing to this measurement, which would only mislead."""
    if stage.measurement == POWER and not stage.loads:
        given = "loads" in stage.model_fields_set
        remedy = "at least 1 load of the bench" if given else "this key is needed: add loads"
        yield Problem(file, f"{key}.loads", "[]" if given else "(nothing)", remedy)
    for name in NEEDLESS[stage.measurement]:
        if name in stage.model_fields_set:
            remedy = f"says nothing to {stage.measurement}: leave it out"
            yield Problem(file, f"{key}.{name}", shown(stage.model_dump(exclude_unset=True)[name]), remedy)


def _drive_problems(stage: Stage, key: str, file: str) -> Iterator[Problem]:
    for number, text in enumerate(stage.drives):
        place = f"{key}.drives[{number}]"
        try:
            drive = parse_drive(text)
        except ValueError as error:
            yield Problem(file, place, shown(text), str(error))
            continue
        if drive.steady_s is not None:
            for remedy in steady_words(drive.steady_s, stage.frequencies_hz):
                yield Problem(file, place, shown(text), remedy)
        elif drive.cycles is not None and drive.cycles < THD_N_CYCLES and stage.stop_limit.thd_n_pct is not None:
            yield Problem(
                file,
                place,
                shown(text),
                f"THD+N needs at least {THD_N_CYCLES} cycles: use thd_pct for this drive",
            )


def steady_words(steady_s: float, frequencies_hz: Sequence[float]) -> Iterator[str]:
    """Why a steady tone is too short or too long to be one."""
    if steady_s < STEADY_LEAST_S:
        yield f"a steady tone lasts at least {STEADY_LEAST_S:g} s"
    for hz in frequencies_hz:
        least_s, cycles = STEADY_RECORDS * steady_record_s(hz), round(steady_s * hz)
        if STEADY_LEAST_S <= steady_s < least_s:
            yield f"at {hz:g} Hz a steady tone lasts at least {least_s:g} s: its last 10 cycles are read"
        if cycles > CYCLES_AT_MOST:
            most_s = math.floor(10.0 * CYCLES_AT_MOST / hz) / 10.0
            yield f"{cycles} cycles at {hz:g} Hz, at most {CYCLES_AT_MOST} can be counted: at most {most_s:g} s"


def _limit_problems(stage: Stage, key: str, file: str) -> Iterator[Problem]:
    stop = stage.stop_limit
    if stop.thd_pct is None and stop.thd_n_pct is None:
        yield Problem(file, key, "neither", "give thd_pct or thd_n_pct: where the ramp ends")
    for quantity, limits in limits_of(stop):
        place = f"{key}.{quantity}_pct"
        if not limits:
            yield Problem(file, place, "[]", "at least one limit in percent")
        yield from twice(limits, place, file)
        for limit in limits:
            if limit > LIMIT_AT_MOST_PCT:
                yield Problem(file, place, shown(limit), f"at most {LIMIT_AT_MOST_PCT:g} percent: a square wave has 48")
    if stop.band_hz[0] >= stop.band_hz[1]:
        yield Problem(file, f"{key}.band_hz", shown(stop.band_hz), "the lower edge first, then the upper one")


def unit_problems(unit: Unit, file: str) -> list[Problem]:
    """Ranges the wrong way round, a channel twice, and no word on where the unit will clip."""
    names = unit.channel_names()
    found = list(twice(names, "channel[{}].name", file))
    supply, heat, band, window = unit.supply_v, unit.heat, unit.passband_hz, unit.idle_current.window_a
    window_rises = window is None or window[0] <= window[1]
    pairs: list[tuple[str, Any, bool, str]] = [
        ("supply_v", (supply.min, supply.nominal, supply.max), supply.min <= supply.nominal <= supply.max,
         "min, nominal, max must rise"),
        ("passband_hz", band, band[0] < band[1], "the lower edge first, then the upper one"),
        ("heat", (heat.stop_c, heat.trip_c), heat.stop_c < heat.trip_c, "stop_c must lie below trip_c"),
        ("idle_current.window_a", window, window_rises, "the lower current first"),
    ]  # fmt: skip
    found += [Problem(file, key, shown(value), remedy) for key, value, good, remedy in pairs if not good]
    found += _clip_problems(unit, file)
    for number, ohm in enumerate(unit.lower_loads_ohm_for_bursts):
        if ohm >= unit.minimum_load_ohm:
            remedy = f"not below minimum_load_ohm = {unit.minimum_load_ohm:g}: leave it out"
            found.append(Problem(file, f"lower_loads_ohm_for_bursts[{number}]", shown(ohm), remedy))
    found += _gain_problems(unit, file)
    for number, channel in enumerate(unit.channel):
        if channel.live_terminal == "both" and not unit.bridged:
            found.append(
                Problem(
                    file,
                    f"channel[{number}].live_terminal",
                    '"both"',
                    "only a bridged unit has two: bridged = true",
                )
            )
    return found


def _gain_problems(unit: Unit, file: str) -> Iterator[Problem]:
    gains = {
        "gain_db": unit.gain_db,
        **{f"channel[{n}].gain_db": c.gain_db for n, c in enumerate(unit.channel)},
    }
    for key, gain_db in gains.items():
        if gain_db is not None and abs(gain_db) > GAIN_AT_MOST_DB:
            yield Problem(file, key, shown(gain_db), f"between -{GAIN_AT_MOST_DB:g} and {GAIN_AT_MOST_DB:g} dB")


def _clip_problems(unit: Unit, file: str) -> Iterator[Problem]:
    for number, channel in enumerate(unit.channel):
        if not (channel.output_rail_v or unit.output_rail_v or unit.rating):
            remedy = "say where it will clip: output_rail_v (V peak) here or for the unit, or a [[rating]]"
            yield Problem(file, f"channel[{number}].output_rail_v", "(nothing)", remedy)
    for number, rating in enumerate(unit.rating):
        if rating.channels_driven > len(unit.channel):
            remedy = f"the unit has {len(unit.channel)} channel(s)"
            yield Problem(file, f"rating[{number}].channels_driven", shown(rating.channels_driven), remedy)
