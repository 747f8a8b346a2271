"""From what the models refuse to problems in plain words: key path, value, remedy. Pure."""

from __future__ import annotations

import difflib
import json
import re
import types
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, time
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from sequencer.errors import Problem

VALUE_CHARACTERS = 60
BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
NOTHING = "(nothing)"

Loc = Sequence[int | str]

# Patterns of the models, in words.
PATTERNS = {
    r"^[A-Z]$": 'one capital letter, as in "A"',
    r"^ch[1-8]$": 'a digitiser input, "ch1" to "ch8"',
}

REMEDIES: Mapping[str, Callable[[Mapping[str, Any]], str]] = {
    "bool_type": lambda c: "true or false, without quotes",
    "date_type": lambda c: "a date without quotes, as in 2026-03-01",
    "dict_type": lambda c: "a table of keys",
    "finite_number": lambda c: "a finite number: inf and nan are not accepted",
    "float_type": lambda c: "a number without quotes",
    "greater_than": lambda c: f"a number above {c['gt']:g}",
    "greater_than_equal": lambda c: f"a number of {c['ge']:g} or more",
    "int_from_float": lambda c: "a whole number",
    "int_type": lambda c: "a whole number without quotes",
    "is_instance_of": lambda c: "a table of keys",
    "less_than": lambda c: f"a number below {c['lt']:g}",
    "less_than_equal": lambda c: f"a number of {c['le']:g} or less",
    "literal_error": lambda c: f"one of {c['expected']}",
    "model_type": lambda c: "a table of keys",
    "string_pattern_mismatch": lambda c: PATTERNS.get(c["pattern"], f"text that matches {c['pattern']}"),
    "string_too_long": lambda c: f"at most {c['max_length']} characters",
    "string_too_short": lambda c: "some text, not empty quotes",
    "string_type": lambda c: "text in quotes",
    "too_long": lambda c: f"at most {c['max_length']} values",
    "too_short": lambda c: f"at least {c['min_length']} value(s) in the list",
    "tuple_type": lambda c: "a list in square brackets",
}


def problems_of(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any], file: str) -> list[Problem]:
    """Every error of one file, one problem per place: alternatives of one key are joined by "or"."""
    found: dict[tuple[int | str, ...], tuple[str, list[str]]] = {}
    for detail in error.errors(include_url=False, include_context=True):
        place, value = _place(data, detail)
        remedies = found.setdefault(place, (_shown(value), []))[1]
        remedy = _remedy(detail, model, place)
        if remedy not in remedies:
            remedies.append(remedy)
    return [
        Problem(file, key_path(place), value, ", or ".join(remedies))
        for place, (value, remedies) in found.items()
        if not _explained_deeper(place, found)
    ]


def key_path(place: Loc) -> str:
    """("stage", 0, "loads", 1) as `stage[0].loads[1]`; keys that TOML wants quoted are quoted."""
    text = ""
    for part in place:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += ("." if text else "") + (part if BARE_KEY.fullmatch(part) else json.dumps(part, ensure_ascii=False))
    return text or "(whole file)"


def shown(value: Any) -> str:
    """A value as it would stand in a TOML file, cut to a readable length."""
    return _shown(value)


def _shown(value: Any) -> str:
    text = value if value is NOTHING else _toml(value)
    text = "".join(c if c.isprintable() else " " for c in text)
    return text if len(text) <= VALUE_CHARACTERS else text[: VALUE_CHARACTERS - 3] + "..."


def _toml(value: Any) -> str:
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in list(value.items())[:8]) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value[:20]) + "]"
    try:
        return json.dumps(value, ensure_ascii=False)
    except ValueError:  # a whole number of thousands of digits cannot be printed
        return "(a very long number)"


def _place(data: Any, detail: ErrorDetails) -> tuple[tuple[int | str, ...], Any]:
    """The path within the file, and what stands there. Names of alternatives, which are no keys, are left out."""
    here: Any = data
    path: list[int | str] = []
    last = len(detail["loc"]) - 1
    for number, part in enumerate(detail["loc"]):
        if _holds(here, part):
            here = here[part]
        elif number == last and detail["type"] == "missing":
            here = NOTHING
        elif number == last and part == "[key]":
            return tuple(path), path[-1]
        else:
            continue
        path.append(part)
    return tuple(path), here


def _holds(here: Any, part: int | str) -> bool:
    if isinstance(here, Mapping):
        return part in here
    return isinstance(here, list | tuple) and isinstance(part, int) and part < len(here)


def _explained_deeper(place: tuple[int | str, ...], found: Mapping[tuple[int | str, ...], Any]) -> bool:
    """`thd_pct = [1.0, "x"]` is wrong at its second value; that it is no single number need not be said."""
    return any(len(other) > len(place) and other[: len(place)] == place for other in found)


def _remedy(detail: ErrorDetails, model: type[BaseModel], place: Loc) -> str:
    kind = detail["type"]
    if kind == "missing":
        return f"this key is needed: add {place[-1]}" if isinstance(place[-1], str) else "one value more"
    if kind == "extra_forbidden":
        return _unknown_key(str(place[-1]), _known_keys(model, place))
    words = REMEDIES.get(kind)
    return words(detail.get("ctx", {})) if words else detail["msg"].lower()


def _unknown_key(name: str, known: list[str]) -> str:
    near = difflib.get_close_matches(name, known, 1)
    if near:
        return f"unknown key: did you mean {near[0]}?"
    return f"unknown key: known here are {', '.join(sorted(known))}"


def _known_keys(model: type[BaseModel], place: Loc) -> list[str]:
    here: Any = model
    for part in place[:-1]:
        inner = _models_in(here)
        if isinstance(part, int) or not inner:
            continue
        here = _next(inner[0], str(part), here)
    found = _models_in(here)
    return list(found[0].model_fields) if found else []


def _next(model: type[BaseModel], part: str, here: Any) -> Any:
    field = model.model_fields.get(part)
    return field.annotation if field is not None else here


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    """Models within an annotation such as tuple[Stage, ...] or dict[str, Load]."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    if get_origin(annotation) in (Annotated, Union, types.UnionType, tuple, dict):
        return [m for inner in get_args(annotation) for m in _models_in(inner)]
    return []
