"""What is wrong with the shape of a dialect file, in sentences for whoever wrote it. Pure.

The library that checks shapes speaks of types and tuples; each of its findings becomes a key, a value and a remedy.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from typing import Any

from pydantic import BaseModel, ValidationError

from drivers import dialect_facts, dialect_link, dialect_model, reply_forms
from drivers.dialect_lines import Problem, listed

KINDS = ("number", "boolean", "word")
FORMS = ("plain", "field", "key_value", "name_value")
_KEYS = sorted(
    {
        key
        for module in (dialect_facts, dialect_link, dialect_model, reply_forms)
        for model in vars(module).values()
        if isinstance(model, type) and issubclass(model, BaseModel)
        for key in model.model_fields
    }
)
_PLAIN: Mapping[str, str] = {
    "missing": "it is needed: add it",
    "string_type": "a text in quotation marks is wanted here",
    "float_type": "a number is wanted here",
    "int_type": "a whole number is wanted here",
    "bool_type": "true or false is wanted here, without quotation marks",
    "tuple_type": 'a list in square brackets is wanted here, such as ["..."]',
    "dict_type": "a table is wanted here: { name = value }",
    "model_type": "a table is wanted here: { name = value }",
    "model_attributes_type": "a table is wanted here: { name = value }",
    "finite_number": "it must be a finite number",
}
_PATTERNS: Mapping[str, str] = {
    "unit": "letters, % and / only, as the reply has them after the number",
    "units": "letters, % and / only, as the reply has them after the number",
}
_SAMPLES = "give a reply from the manual and what it means (only a word may do without: not_readable = true)"


def shape_problems(error: ValidationError) -> list[Problem]:
    """One for each place, in the order found."""
    found: dict[str, Problem] = {}
    for one in error.errors(include_url=False):
        key = _key_path(one["loc"])
        missing = one["type"] in ("missing", "union_tag_not_found")
        found.setdefault(key, Problem(key, None if missing else one["input"], _remedy(one)))
    return list(found.values())


def _key_path(loc: tuple[str | int, ...]) -> str:
    """Without the names of kinds, which are no keys of the file."""
    parts = [p for n, p in enumerate(loc) if not (n == 2 and loc[0] == "setting" and p in KINDS)]
    parts = [p for n, p in enumerate(parts) if not (n and parts[n - 1] == "reply" and p in FORMS)]
    parts = [p for p in parts if not str(p).startswith("tuple[")]
    return "".join(f"[{p}]" if isinstance(p, int) else f".{p}" for p in parts).lstrip(".") or "(whole file)"


def _remedy(error: Any) -> str:
    kind, loc, told = error["type"], error["loc"], error.get("ctx", {})
    last = next((str(p) for p in reversed(loc) if isinstance(p, str) and not p.startswith("tuple[")), "")
    if kind == "extra_forbidden":
        return _unknown(last)
    if kind.startswith("union_tag"):
        return f"say kind = one of {listed(FORMS if loc[-1] == 'reply' else KINDS)}"
    if kind == "too_short":
        return _too_short(last, loc, told)
    if kind == "missing" and last == "samples":
        return _SAMPLES
    if kind == "string_pattern_mismatch":
        return _PATTERNS.get(last, f"characters that may not stand here (allowed: {told.get('pattern')})")
    if kind == "literal_error":
        return f"one of: {told.get('expected')}"
    if kind in ("float_type", "bool_type") and last == "means" and loc[0] == "each":
        return "numbers, or true and false, one for each name; nan where the reply says that there is no reading"
    return _PLAIN.get(kind, str(error["msg"]).replace("Input should be", "it must be"))


def _unknown(key: str) -> str:
    if key in _KEYS:
        return "this table has no such key (another one has): take it out"
    near = difflib.get_close_matches(key, _KEYS, 1)
    return "unknown key: " + (f"did you mean {near[0]!r}?" if near else "take it out")


def _too_short(key: str, loc: Iterable[str | int], told: Mapping[str, Any]) -> str:
    if key == "samples" and "boolean" in loc:
        return "give two of them: a reply that means true, and one that means false"
    return f"it needs at least {told.get('min_length')}, {told.get('actual_length')} given: add to it, or take it out"
