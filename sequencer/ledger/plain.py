"""Values as JSON carries them, and text that is the same bytes for the same values. Pure."""

from __future__ import annotations

import json
import math
import numbers
from collections.abc import Mapping, Sequence
from typing import Any

from sequencer.errors import Fault

_AS_IT_IS = frozenset((str, int, bool, type(None)))  # most of a row: no look at what else it could be


class RowRefused(Fault):
    """A row that results may not hold: the key path and why. Nothing of it was kept."""


def plain(value: Any, path: str = "") -> Any:
    """`value` made of dict, list, str, int, float, bool and None only; numpy's numbers become Python's.

    Raises RowRefused with the key path for NaN, an infinity, a key that is no text, or anything else.
    """
    kind = type(value)
    if kind in _AS_IT_IS:
        return value
    if kind is dict:
        return _each(value, path)
    if kind is list:
        return [plain(inner, f"{path}[{index}]") for index, inner in enumerate(value)]
    if kind is float:
        return _finite(value, path)
    if getattr(value, "ndim", None) == 0:  # a number or truth value of numpy
        value = value.item()
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return str(value)
    if isinstance(value, numbers.Integral):
        return int(value)
    if isinstance(value, numbers.Real):
        return _finite(float(value), path)
    if isinstance(value, Mapping):
        return _each(value, path)
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return [plain(inner, f"{path}[{index}]") for index, inner in enumerate(value)]
    raise RowRefused(f"{path or 'row'}: {type(value).__name__} has no form in the results")


def _each(value: Mapping[Any, Any], path: str) -> dict[str, Any]:
    return {
        _key(key, path): inner if type(inner) in _AS_IT_IS else plain(inner, f"{path}.{key}".lstrip("."))
        for key, inner in value.items()
    }


def _finite(number: float, path: str) -> float:
    if not math.isfinite(number):
        raise RowRefused(f"{path or 'row'}: {number} is not a number the results may hold; null says 'not seen'")
    return number


def _key(key: object, path: str) -> str:
    if not isinstance(key, str):
        raise RowRefused(f"{path or 'row'}: key {key!r} is not text")
    return str(key)


def row_to_json(row: Mapping[str, Any]) -> str:
    """One key a line, sorted; floats in their shortest exact form; ASCII, so that no locale changes a byte.

    Raises RowRefused as `plain` does.
    """
    return json.dumps(plain(row), indent=1, sort_keys=True, allow_nan=False) + "\n"


def row_to_line(row: Mapping[str, Any]) -> str:
    """The same on one line, without the line's end: what the ledger and messages.jsonl hold."""
    return json.dumps(plain(row), separators=(",", ":"), sort_keys=True, allow_nan=False)


def from_json(text: str) -> Any:
    """Parses text. NaN, infinities and keys given twice raise ValueError: no file of ours has them."""
    return json.loads(text, parse_constant=_no_constant, object_pairs_hook=_each_once)


def _no_constant(word: str) -> Any:
    raise ValueError(f"{word} is not a number")


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        twice = sorted({key for key, _ in pairs if sum(k == key for k, _ in pairs) > 1})
        raise ValueError(f"key given twice: {', '.join(twice)}")
    return made
