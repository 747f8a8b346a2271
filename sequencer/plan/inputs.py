"""What a command was given, once it is loaded: files with their hashes, units in their bays. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Generic, TypeVar

from sequencer.errors import Problem
from sequencer.plan.methods import Method
from sequencer.plan.models import Bay, Bench, Plan, Unit

T = TypeVar("T")


@dataclass(frozen=True)
class Loaded(Generic[T]):
    """A model and where it came from. name: as a person names it (shipped name, or the file's own)."""

    model: T
    path: Path
    name: str
    sha256: str


@dataclass(frozen=True)
class UnitArgument:
    """`FILE[:SERIAL][@BAY]` taken apart."""

    file: str
    serial: str | None = None
    bay: str | None = None


@dataclass(frozen=True)
class UnitInBay:
    """loaded.model carries the serial that holds: the argument's, else the file's."""

    loaded: Loaded[Unit]
    bay: Bay


@dataclass(frozen=True)
class Inputs:
    plan: Loaded[Plan]
    units: tuple[UnitInBay, ...]
    bench: Loaded[Bench]
    method: Loaded[Method] | None = None  # where the plan names one


@dataclass(frozen=True)
class Files:
    """Names of the three files, for problems that concern more than one of them."""

    plan: str = "plan"
    unit: str = "unit"
    bench: str = "bench"


def is_path(text: str) -> bool:
    """Whether a name of a file is a path; any other is a shipped name."""
    return "/" in text or text.endswith(".toml")


def parse_unit_argument(text: str) -> UnitArgument:
    """`FILE[:SERIAL][@BAY]`; a `:` or `@` inside a folder or before `.toml` belongs to the file. Raises
    ValueError."""
    rest, bay = _cut(text, "@")
    file, serial = _cut(rest, ":")
    if not file.strip() or serial == "" or bay == "":
        raise ValueError("write FILE, FILE:SERIAL, FILE@BAY or FILE:SERIAL@BAY")
    return UnitArgument(file, serial, bay)


def _cut(text: str, mark: str) -> tuple[str, str | None]:
    before, found, after = text.rpartition(mark)
    if not found or is_path(after):
        return text, None
    return before, after


def bays_for(arguments: Sequence[UnitArgument], bench: Bench, file: str) -> tuple[list[Bay | None], list[Problem]]:
    """The bay of each unit: the one it names, else the next free one in the bench's order."""
    known = {bay.name: bay for bay in bench.bay}
    asked = [one.bay for one in arguments if one.bay is not None]
    free = [bay for bay in bench.bay if bay.name not in asked]
    bays: list[Bay | None] = []
    problems: list[Problem] = []
    for one in arguments:
        bay = known.get(one.bay) if one.bay is not None else (free.pop(0) if free else None)
        if bay is None:
            problems.append(_no_bay(one, known, file))
        elif bay in bays:
            problems.append(
                Problem(file, "--unit", f"{one.file}@{bay.name}", "two units in one bay: give each its own")
            )
        bays.append(bay)
    return bays, problems


def _no_bay(one: UnitArgument, known: dict[str, Bay], file: str) -> Problem:
    if one.bay is not None:
        return Problem(file, "--unit", f"{one.file}@{one.bay}", f"the bench has no such bay; it has {', '.join(known)}")
    return Problem(file, "--unit", one.file, f"no bay is left for it: the bench has {len(known)} ({', '.join(known)})")


def serial_problems(serials: Sequence[str]) -> list[Problem]:
    """A serial given twice: the night could not tell the two apart."""
    twice = sorted({s for s in serials if serials.count(s) > 1})
    return [Problem("--unit", "serial", s, "given twice: name the other one with FILE:SERIAL") for s in twice]
