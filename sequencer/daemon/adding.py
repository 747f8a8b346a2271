"""From what a person names to entries of the queue: each is worked through on paper before it is added."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.queue import AFTER_TRIP, LABELS, MOST_REPEATS, AfterTrip, Asked, Entry
from sequencer.on_paper import Check, checked
from sequencer.plan.inputs import Inputs, UnitArgument, parse_unit_argument
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench

LONGEST_LABEL, LONGEST_NOTE = 80, 2000


@dataclass(frozen=True)
class Wanted:
    """One unit under one plan, as named. unit: FILE[:SERIAL][@BAY]. where: file and key for what is wrong with it."""

    plan: str
    unit: str
    label: str = ""
    repeat: int = 1
    after_trip: str = "go on"
    note: str = ""
    where: tuple[str, str] = ("command line", "--unit")

    def problem(self, column: str, value: str, remedy: str) -> Problem:
        file, key = self.where
        return Problem(
            file, f"{key}, {column}" if key.startswith("row") else f"--{column.replace('_', '-')}", value, remedy
        )


def entries_of(wanted: Sequence[Wanted], bench: str, there: Sequence[Entry]) -> list[Asked]:
    """All of them, or InputRefused with all that is wrong. there: the entries that are not over yet; a unit stays in
    the bay they have it in, and another unit does not get that bay."""
    loaded = load_bench(bench)
    problems = [problem for one in wanted for problem in _wrong(one)]
    bays = {one.bay: one.serial for one in there if one.bench == str(loaded.path.resolve())}
    found: list[Asked] = []
    for one in wanted:
        try:
            placed = _placed(one, loaded.model, bays)
            on_paper, inputs, _ = checked(one.plan, (placed,), bench)
            if on_paper.refused:
                raise InputRefused(on_paper.refused)
        except InputRefused as refused:
            problems += [_in_row(one, problem) for problem in refused.problems]
        else:
            if not problems:
                found.append(_asked(one, on_paper, inputs))
            bays[inputs.units[0].bay.name] = inputs.units[0].loaded.model.serial
    if problems:
        raise InputRefused(list(dict.fromkeys(problems)))
    return found


def again(entry: Entry) -> Asked:
    """The entry with its files as they are now. Raises InputRefused where they are refused now."""
    one = Wanted(entry.plan, f"{entry.unit}@{entry.bay}", entry.label, entry.repeat, entry.after_trip, entry.note)
    on_paper, inputs, _ = checked(one.plan, (one.unit,), entry.bench)
    if on_paper.refused:
        raise InputRefused(on_paper.refused)
    return _asked(one, on_paper, inputs)


def time_s(on_paper: Check) -> float:
    """Upper bound of a night of these units, s: their points, their mute and the bleeding of their rails."""
    return sum(
        sum(cost.time_s for cost in one.estimates) + one.unit.mute_s + one.unit.bleed_s for one in on_paper.units
    )


def _wrong(one: Wanted) -> Iterable[Problem]:
    """What can be said without a file."""
    if one.after_trip not in AFTER_TRIP:
        yield one.problem("after_trip", repr(one.after_trip), f"one of: {', '.join(AFTER_TRIP)}")
    if not 1 <= one.repeat <= MOST_REPEATS:
        yield one.problem("repeat", str(one.repeat), f"a whole number from 1 to {MOST_REPEATS}")
    for name, text, longest in (("label", one.label, LONGEST_LABEL), ("note", one.note, LONGEST_NOTE)):
        if len(text) > longest or not text.isprintable():
            usual = f", such as: {', '.join(LABELS)}" if name == "label" else ""
            yield one.problem(name, repr(text)[:60], f"at most {longest} characters on one line{usual}")


def _placed(one: Wanted, bench: Bench, bays: Mapping[str, str]) -> str:
    """The unit with its bay: the one it names, the one it has already, else the next that no other unit has."""
    try:
        argument = parse_unit_argument(one.unit)
    except ValueError as error:
        raise InputRefused([one.problem("unit", repr(one.unit), str(error))]) from None
    serial = argument.serial or load_unit(argument.file).model.serial
    had = next((bay for bay, other in bays.items() if other == serial), None)
    free = next((bay.name for bay in bench.bay if bay.name not in bays), None)
    bay = argument.bay or had or free
    if bay is None:
        remedy = f"no bay is free: the queue has units in all of them ({_who(bays)}); name the bay with FILE@BAY"
        raise InputRefused([one.problem("unit", one.unit, remedy)])
    if bays.get(bay, serial) != serial:
        remedy = f"by the queue that bay has unit {bays[bay]} until it is done: another bay, or remove that entry"
        raise InputRefused([one.problem("bay", bay, remedy)])
    return _text(replace(argument, bay=bay))


def _text(argument: UnitArgument) -> str:
    serial = f":{argument.serial}" if argument.serial else ""
    return f"{argument.file}{serial}@{argument.bay}"


def _who(bays: Mapping[str, str]) -> str:
    return ", ".join(f"{bay}: {serial}" for bay, serial in bays.items())


def _in_row(one: Wanted, problem: Problem) -> Problem:
    """What a file of a row is refused for says which row named it."""
    file, key = one.where
    if not key.startswith("row") or problem.file == file:
        return problem
    return Problem(file, key, f"{problem.file}: {problem.key} = {problem.value}", problem.remedy)


def _asked(one: Wanted, on_paper: Check, inputs: Inputs) -> Asked:
    (unit,) = inputs.units
    given = parse_unit_argument(one.unit).serial
    after: AfterTrip = next(word for word in AFTER_TRIP if word == one.after_trip)
    return Asked(
        plan=_absolute(inputs.plan.path),
        plan_sha256=inputs.plan.sha256,
        unit=_absolute(unit.loaded.path) + (f":{given}" if given else ""),
        unit_sha256=unit.loaded.sha256,
        serial=unit.loaded.model.serial,
        bay=unit.bay.name,
        bench=_absolute(inputs.bench.path),
        label=one.label,
        repeat=one.repeat,
        after_trip=after,
        note=one.note,
        estimate_s=time_s(on_paper),
    )


def _absolute(path: Path) -> str:
    return str(path.resolve())
