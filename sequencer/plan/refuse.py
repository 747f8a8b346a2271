"""What a plan asks that this unit on this bench cannot give: on paper, before anything is touched. Pure.

Here: names, ranges and wiring, stage by stage. What follows from volts, amps and joules is in refuse_points.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from sequencer.errors import Problem
from sequencer.plan.expand import POWER, channel_sets, own_frequencies, supply_volts, value_loads
from sequencer.plan.inputs import Files, Inputs
from sequencer.plan.models import Bench, Load, Plan, Stage, Unit
from sequencer.plan.points import drive_cycles, harmonics_within
from sequencer.plan.refuse_checks import check_refusals
from sequencer.plan.refuse_distortion import distortion_refusals
from sequencer.plan.refuse_heat import heat_refusals
from sequencer.plan.refuse_points import HARMONICS_LEAST, PROOF_CYCLES, point_refusals
from sequencer.plan.refuse_protection import protection_refusals
from sequencer.plan.refuse_quiet import quiet_refusals
from sequencer.plan.refuse_response import response_refusals
from sequencer.plan.refuse_steady import steady_refusals
from sequencer.plan.refuse_transfer import transfer_refusals
from sequencer.plan.window import gain_cycles
from sequencer.plan.wording import key_path, shown


@dataclass(frozen=True)
class _Case:
    """One stage of one plan against one unit and one bench."""

    plan: Plan
    unit: Unit
    bench: Bench
    files: Files
    stage: Stage
    key: str

    def driven(self) -> list[str]:
        """Every channel that some set of this stage drives, each once, if the unit has it."""
        names = (n for names in channel_sets(self.stage, self.unit) for n in names)
        return [n for n in dict.fromkeys(names) if n in self.unit.channel_names()]

    def problem(self, key: str, value: object, remedy: str) -> Problem:
        return Problem(self.files.plan, f"{self.key}.{key}", shown(value), remedy)


def refusals(plan: Plan, unit: Unit, bench: Bench, files: Files | None = None) -> list[Problem]:
    """Every reason why `plan` will not be run on `unit` on `bench`, each once; empty: it may run.

    Plan, unit and bench were found sound by themselves (`sequencer.plan.load`).
    """
    named = files or Files()
    found = list(_unit_and_bench(unit, bench, named))
    for number, stage in enumerate(plan.stage):
        case = _Case(plan, unit, bench, named, stage, f"stage[{number}]")
        for check in (_channels, _loads, _frequencies, _bursts, _supply):
            found += check(case)
    found += point_refusals(plan, unit, bench, named)
    found += heat_refusals(plan, unit, bench, named)
    found += protection_refusals(plan, unit, bench, named)
    found += check_refusals(plan, unit, bench, named)
    found += transfer_refusals(plan, unit, bench, named)
    found += steady_refusals(plan, unit, bench, named)
    found += quiet_refusals(plan, unit, bench, named)
    found += distortion_refusals(plan, unit, bench, named)
    found += response_refusals(plan, unit, bench, named)
    return list(dict.fromkeys(found))


def refusals_of(inputs: Inputs) -> list[Problem]:
    """The same for everything a command was given, every unit, under the names of its files."""
    found: list[Problem] = []
    for one in inputs.units:
        files = Files(inputs.plan.name, one.loaded.name, inputs.bench.name)
        found += refusals(inputs.plan.model, one.loaded.model, inputs.bench.model, files)
    return list(dict.fromkeys(found))


def _unit_and_bench(unit: Unit, bench: Bench, files: Files) -> Iterator[Problem]:
    if unit.bridged:
        if bench.legs("A") is None:
            remedy = 'a bridged output needs two digitiser inputs: wire "leg A plus" and "leg A minus"'
            yield Problem(files.unit, "bridged", "true", remedy)
        if unit.channel_names() != ("A",):
            remedy = "the two legs of output A are read: one bridged pair at a time, named A"
            yield Problem(files.unit, "channel", ", ".join(unit.channel_names()), remedy)


def _channels(case: _Case) -> Iterator[Problem]:
    if isinstance(case.stage.channels, tuple):
        for number, name in enumerate(case.stage.channels):
            if name not in case.unit.channel_names():
                remedy = f"unit {case.unit.serial} has channels {', '.join(case.unit.channel_names())}"
                yield case.problem(f"channels[{number}]", name, remedy)
    if case.unit.bridged:
        return
    for name in case.driven():
        if case.bench.input_for(f"output {name}") is None:
            remedy = f"channel {name} is driven, but no digitiser input sees it: wire one to it"
            yield Problem(case.files.bench, "wiring", f'no "output {name}"', remedy)


def _loads(case: _Case) -> Iterator[Problem]:
    for number, name in enumerate(case.stage.loads):
        load = case.bench.load.get(name)
        if load is None:
            yield case.problem(f"loads[{number}]", name, f"the bench has {', '.join(case.bench.load) or 'no loads'}")
            continue
        yield from _one_load(case, number, name, load)
    if not case.stage.loads and not value_loads(case.stage, case.unit, case.bench):
        driven = ", ".join(case.driven())
        yield Problem(case.files.bench, "load", "(tables)", f"no load has measured ohms for all of {driven}")


def _one_load(case: _Case, number: int, name: str, load: Load) -> Iterator[Problem]:
    for channel in case.driven():
        if channel not in load.ohm:
            key = key_path(("load", name, "ohm"))
            yield Problem(
                case.files.bench,
                key,
                shown(load.ohm),
                f"no measured ohms for channel {channel}, which is driven",
            )
    unit = case.unit
    if load.nominal_ohm < unit.minimum_load_ohm and load.nominal_ohm not in unit.lower_loads_ohm_for_bursts:
        remedy = (
            f"{load.nominal_ohm:g} ohm is below the unit's minimum of {unit.minimum_load_ohm:g}: "
            "leave it out, or allow it in the unit's lower_loads_ohm_for_bursts"
        )
        yield case.problem(f"loads[{number}]", name, remedy)


def _frequencies(case: _Case) -> Iterator[Problem]:
    low, high = case.unit.passband_hz
    stop = case.stage.stop_limit
    if case.stage.measurement != POWER:
        yield from _own_frequencies(case)
        return
    for number, frequency_hz in enumerate(case.stage.frequencies_hz):
        key = f"frequencies_hz[{number}]"
        if not low <= frequency_hz <= high:
            yield case.problem(key, frequency_hz, f"the unit's passband is {low:g} to {high:g} Hz")
        elif harmonics_within(frequency_hz, stop.harmonics, stop.band_hz) < HARMONICS_LEAST:
            remedy = f"no harmonic lies below {stop.band_hz[1]:g} Hz: a lower one, or a wider stop_limit.band_hz"
            yield case.problem(key, frequency_hz, remedy)


def _own_frequencies(case: _Case) -> Iterator[Problem]:
    if case.stage.measurement != "gain":
        return
    low, high = case.unit.passband_hz
    seen = own_frequencies(case.stage, case.unit)
    for frequency_hz in seen:
        longest_s, most_s = gain_cycles(frequency_hz) / frequency_hz, case.bench.ceiling.burst_s
        if not low <= frequency_hz <= high:
            yield case.problem("frequencies_hz", frequency_hz, f"the unit's passband is {low:g} to {high:g} Hz")
        elif longest_s > most_s:
            remedy = f"a burst of {longest_s:.3g} s passes the bench's ceiling.burst_s = {most_s:g}: a higher one"
            yield case.problem("frequencies_hz", frequency_hz, remedy)
    if not seen:
        remedy = f"none of the usual frequencies lies within the unit's passband, {low:g} to {high:g} Hz: give some"
        yield case.problem("frequencies_hz", "(nothing)", remedy)


def _bursts(case: _Case) -> Iterator[Problem]:
    for number, text in enumerate(case.stage.drives if case.stage.measurement == POWER else ()):
        for frequency_hz in case.stage.frequencies_hz:
            cycles = drive_cycles(text, frequency_hz)
            longest_s = max(cycles or 0, PROOF_CYCLES) / frequency_hz
            if longest_s > case.bench.ceiling.burst_s:
                remedy = (
                    f"bursts of {longest_s:.3g} s at {frequency_hz:g} Hz (20 cycles prove the gain) "
                    f"pass the bench's ceiling.burst_s = {case.bench.ceiling.burst_s:g}: fewer cycles"
                )
                yield case.problem(f"drives[{number}]", text, remedy)


def _supply(case: _Case) -> Iterator[Problem]:
    allowed, ceiling_v = case.unit.supply_v, case.bench.ceiling.supply_v
    given = case.stage.supply_v is not None
    for number, volts in enumerate(supply_volts(case.stage, case.unit)):
        if not allowed.min <= volts <= allowed.max:
            yield case.problem(f"supply_v[{number}]", volts, f"the unit takes {allowed.min:g} to {allowed.max:g} V")
        if volts > ceiling_v:
            remedy = f"above the bench's ceiling.supply_v = {ceiling_v:g}"
            if given:
                yield case.problem(f"supply_v[{number}]", volts, remedy)
            else:
                yield Problem(case.files.unit, "supply_v.nominal", shown(volts), remedy)
