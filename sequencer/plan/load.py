"""Reads plan, unit and bench files: the only place of `plan` that touches the disk. Reads, never writes.

A name with a `/` in it or ending in `.toml` is a path; anything else names a shipped file. Every problem of every
file is collected before anything is refused.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Generic, TypeVar

from pydantic import BaseModel, ValidationError

from sequencer.errors import InputRefused, Problem
from sequencer.plan.inputs import (
    Inputs,
    Loaded,
    UnitArgument,
    UnitInBay,
    bays_for,
    is_path,
    parse_unit_argument,
    serial_problems,
)
from sequencer.plan.methods import Method, method_problems
from sequencer.plan.models import Bay, Bench, Plan, Unit
from sequencer.plan.within import plan_problems, unit_problems
from sequencer.plan.within_bench import bench_problems
from sequencer.plan.wording import key_path, problems_of, shown

__all__ = [
    "Inputs", "Loaded", "UnitArgument", "gather_inputs", "load_bench", "load_inputs", "load_method", "load_on_bench",
    "load_other", "load_plan", "load_unit", "parse_unit_argument", "shipped",
]  # fmt: skip

LARGEST_BYTES = 1 << 20
FORMAT = 1
SMALLEST, LARGEST = 1e-12, 1e12
WILD = f"no such number belongs here: between {SMALLEST:g} and {LARGEST:g}"

# Beside this very package, never what the import path or the current folder offers under so common a name.
SHIPPED = Path(__file__).resolve().parents[2] / "sequences"
DIALECTS = Path(__file__).resolve().parents[2] / "drivers" / "dialects"

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True)
class _Kind(Generic[M]):
    """One kind of file: its model, its shipped folder, what is checked beyond the model."""

    word: str
    folder: str
    model: type[M]
    check: Callable[[M, str], list[Problem]]


PLAN = _Kind("plan", "plans", Plan, plan_problems)
UNIT = _Kind("unit", "units", Unit, unit_problems)
BENCH = _Kind("bench", "benches", Bench, bench_problems)
METHOD = _Kind("method", "methods", Method, method_problems)


def load_plan(name_or_path: str) -> Loaded[Plan]:
    """Raises InputRefused with every problem of the file."""
    return _one(PLAN, name_or_path)


def load_unit(name_or_path: str) -> Loaded[Unit]:
    """Raises InputRefused with every problem of the file."""
    return _one(UNIT, name_or_path)


def load_bench(name_or_path: str) -> Loaded[Bench]:
    """Raises InputRefused with every problem of the file, the paths it names included."""
    return _one(BENCH, name_or_path)


def load_method(name_or_path: str) -> Loaded[Method]:
    """Raises InputRefused with every problem of the file."""
    return _one(METHOD, name_or_path)


def load_other(word: str, model: type[M], check: Callable[[M, str], list[Problem]], path: Path) -> Loaded[M]:
    """A file of another kind, of which none ships. check: as far as the model can't tell. Raises InputRefused."""
    return _one(_Kind(word, word, model, check), str(path) if path.suffix == ".toml" else f"{path.parent}/{path.name}")


def load_on_bench(units: Sequence[str], bench: str) -> tuple[Loaded[Bench], tuple[UnitInBay, ...]]:
    """Units in the bays of a bench, without a plan. Raises InputRefused with the problems of all files."""
    problems: list[Problem] = []
    arguments = _arguments(units, problems)
    loaded_units = [_with_serial(_try(UNIT, one.file, problems), one.serial) for one in arguments]
    loaded_bench = _try(BENCH, bench, problems)
    problems += serial_problems([one.model.serial for one in loaded_units if one is not None])
    bays: list[Bay | None] = []
    if loaded_bench is not None:
        bays, more = bays_for(arguments, loaded_bench.model, loaded_bench.name)
        problems += more
    if loaded_bench is None or problems:
        raise InputRefused(list(dict.fromkeys(problems)))
    return loaded_bench, tuple(UnitInBay(one, bay) for one, bay in zip(loaded_units, bays, strict=True) if one and bay)


def load_inputs(plan: str, units: Sequence[str], bench: str) -> Inputs:
    """All three kinds together, units in their bays. units: FILE[:SERIAL][@BAY] each.

    Raises InputRefused with the problems of all files; what plan, unit and bench say of each other is
    `refuse.refusals`.
    """
    inputs, problems = gather_inputs(plan, units, bench)
    if inputs is None or problems:
        raise InputRefused(problems)
    return inputs


def gather_inputs(plan: str, units: Sequence[str], bench: str) -> tuple[Inputs | None, list[Problem]]:
    """As `load_inputs`, with the problems handed back: while each file has a model, more can be told of all of them."""
    problems: list[Problem] = []
    arguments = _arguments(units, problems)
    loaded_plan = _try(PLAN, plan, problems)
    method = _method(loaded_plan, problems)
    loaded_units = [_with_serial(_try(UNIT, one.file, problems), one.serial) for one in arguments]
    loaded_bench = _try(BENCH, bench, problems)
    found = [one for one in loaded_units if one is not None]
    problems += serial_problems([one.model.serial for one in found])
    bays: list[Bay | None] = []
    if loaded_bench is not None:
        bays, more = bays_for(arguments, loaded_bench.model, loaded_bench.name)
        problems += more
    problems = list(dict.fromkeys(problems))
    if loaded_plan is None or loaded_bench is None or len(found) != len(bays):
        return None, problems
    placed = tuple(UnitInBay(one, bay) for one, bay in zip(found, bays, strict=True) if bay is not None)
    return Inputs(loaded_plan, placed, loaded_bench, method), problems


def _method(plan: Loaded[Plan] | None, problems: list[Problem]) -> Loaded[Method] | None:
    """The method a plan names; a path is relative to the plan's file and stays in its folder."""
    if plan is None or (named := plan.model.method) is None:
        return None
    if not is_path(named):
        try:
            _path(METHOD, named)
        except InputRefused as refused:
            problems += [replace(one, file=plan.name) for one in refused.problems]
            return None
        return _try(METHOD, named, problems)
    outside = list(_inside(named, "method", plan.name, plan.path))
    problems += outside
    return None if outside else _try(METHOD, str(plan.path.parent / named), problems)


def shipped() -> dict[str, dict[str, str]]:
    """What ships: kind (`plans`, `units`, `benches`, `methods`) -> name -> what it is, sorted by name."""
    return {kind.folder: dict(_titles(kind.folder)) for kind in (PLAN, UNIT, BENCH, METHOD)}


def _titles(folder: str) -> Iterator[tuple[str, str]]:
    for path in sorted((SHIPPED / folder).glob("*.toml")):
        data = tomllib.loads(path.read_text(encoding="utf-8"))
        unit = f"{data.get('model', '')}, serial {data['serial']}" if "serial" in data else ""
        yield path.stem, str(data.get("title") or unit or data.get("name", ""))


def _arguments(units: Sequence[str], problems: list[Problem]) -> list[UnitArgument]:
    found = []
    for text in units:
        try:
            found.append(parse_unit_argument(text))
        except ValueError as error:
            problems.append(Problem("--unit", "FILE[:SERIAL][@BAY]", shown(text), str(error)))
    return found


def _with_serial(loaded: Loaded[Unit] | None, serial: str | None) -> Loaded[Unit] | None:
    if loaded is None or serial is None:
        return loaded
    return replace(loaded, model=loaded.model.model_copy(update={"serial": serial}))


def _one(kind: _Kind[M], name_or_path: str) -> Loaded[M]:
    problems: list[Problem] = []
    loaded = _try(kind, name_or_path, problems)
    if loaded is None or problems:
        raise InputRefused(problems)
    return loaded


def _try(kind: _Kind[M], name_or_path: str, problems: list[Problem]) -> Loaded[M] | None:
    """The loaded file, or None where there is no model of it; what is wrong is added to `problems`."""
    try:
        path = _path(kind, name_or_path)
        raw = _read(path, name_or_path, kind)
        model, wrong = _checked(kind, _parsed(raw, name_or_path), name_or_path, path)
        problems += wrong
    except InputRefused as refused:
        problems += refused.problems
        return None
    return Loaded(model, path, name_or_path, hashlib.sha256(raw).hexdigest())


def _refuse(file: str, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(file, key, value, remedy)])


def _path(kind: _Kind[M], name_or_path: str) -> Path:
    if is_path(name_or_path):
        return Path(name_or_path)
    names = sorted(p.stem for p in (SHIPPED / kind.folder).glob("*.toml"))
    if name_or_path not in names:
        remedy = f"no shipped {kind.word} has this name; there are {', '.join(names)}. Paths end in .toml"
        raise _refuse(name_or_path, kind.word, shown(name_or_path), remedy)
    return SHIPPED / kind.folder / f"{name_or_path}.toml"


def _read(path: Path, file: str, kind: _Kind[M]) -> bytes:
    try:
        if not path.exists():
            raise _refuse(file, kind.word, str(path), "no such file")
        if not path.is_file():
            raise _refuse(file, kind.word, str(path), "not a plain file")
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the path
        raise _refuse(file, kind.word, shown(str(path)), f"cannot be read: {error}") from None
    if len(raw) > LARGEST_BYTES:
        raise _refuse(file, kind.word, f"over {LARGEST_BYTES} bytes", "too large to be such a file: 1 MiB at most")
    return raw


def _parsed(raw: bytes, file: str) -> dict[str, Any]:
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise _refuse(
            file, f"line {line}", f"byte 0x{raw[error.start]:02x}", "not UTF-8 text: save the file as UTF-8"
        ) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise _refuse(file, "(whole file)", "brackets", "nested too deeply") from None
    except ValueError as error:
        raise _not_toml(text, str(error), file) from None


def _not_toml(text: str, said: str, file: str) -> InputRefused:
    place = re.search(r"at line (\d+)", said)
    lines = text.splitlines()
    number = int(place[1]) if place else max(len(lines), 1)
    line = lines[number - 1].strip() if number <= len(lines) else ""
    words = re.sub(r"\s*\(at [^)]*\)", "", said).lower()
    return _refuse(file, f"line {number}", shown(line), f"not TOML here: {words}")


def _checked(kind: _Kind[M], data: dict[str, Any], file: str, path: Path) -> tuple[M, list[Problem]]:
    """The model, and what is wrong in it beyond its shape. Raises InputRefused where there is no model."""
    given = data.get("format")
    if type(given) is not int or given != FORMAT:
        value = "(nothing)" if given is None else shown(given)
        raise _refuse(file, "format", value, f"this version understands format = {FORMAT} of a {kind.word} file")
    frozen = _frozen(data)
    if wild := list(_wild_numbers(frozen, ())):
        raise InputRefused([Problem(file, key_path(place), shown(value), WILD) for place, value in wild])
    try:
        model = kind.model.model_validate(frozen)
    except ValidationError as error:
        raise InputRefused(problems_of(error, kind.model, frozen, file) + list(_paths_of(frozen, file, path))) from None
    return model, kind.check(model, file) + (list(_paths_of(frozen, file, path)) if kind.word == "bench" else [])


def _wild_numbers(value: Any, place: tuple[int | str, ...]) -> Iterator[tuple[tuple[int | str, ...], float]]:
    """Numbers no bench knows: refused before anybody squares one of them."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _wild_numbers(inner, (*place, key))
    elif isinstance(value, tuple):
        for number, inner in enumerate(value):
            yield from _wild_numbers(inner, (*place, number))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        finite = isinstance(value, int) or math.isfinite(value)
        if finite and value and not SMALLEST <= abs(value) <= LARGEST:
            yield place, value


def _frozen(value: Any) -> Any:
    """Lists as tuples: the models are strict and immutable."""
    if isinstance(value, dict):
        return {key: _frozen(inner) for key, inner in value.items()}
    if isinstance(value, list):
        return tuple(_frozen(inner) for inner in value)
    return value


def _paths_of(data: Mapping[str, Any], file: str, path: Path) -> Iterator[Problem]:
    """Dialects and simulated truths that a bench names: shipped names exist, paths stay in the bench file's
    folder."""
    for name, role in _table(data.get("role")).items():
        dialect = _table(role).get("dialect")
        if isinstance(dialect, str):
            yield from _dialect_problem(dialect, f"role.{name}.dialect", file, path)
    simulated = _table(data.get("simulated"))
    truths = [(f"simulated.truth.{k}", v) for k, v in _table(simulated.get("truth")).items()]
    for key, value in [
        *truths,
        ("simulated.world", simulated.get("world")),
        ("simulated.faults", simulated.get("faults")),
    ]:
        if isinstance(value, str) and is_path(value):
            yield from _inside(value, key, file, path)


def _dialect_problem(dialect: str, key: str, file: str, path: Path) -> Iterator[Problem]:
    if is_path(dialect):
        yield from _inside(dialect, key, file, path)
        return
    names = sorted(p.stem for p in DIALECTS.glob("*.toml"))
    if dialect not in names:
        remedy = f"no shipped dialect has this name; there are {', '.join(names)}. Your own file ends in .toml"
        yield Problem(file, key, shown(dialect), remedy)


def _inside(named: str, key: str, file: str, path: Path) -> Iterator[Problem]:
    try:
        folder = path.resolve().parent
        target = (folder / named).resolve()
        if not target.is_relative_to(folder):
            yield Problem(file, key, shown(named), "lies outside the folder of this file: put it beside it")
        elif not target.is_file():
            yield Problem(file, key, shown(named), f"no such file in {folder}")
    except (OSError, ValueError) as error:
        yield Problem(file, key, shown(named), f"cannot be looked up: {error}")


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
