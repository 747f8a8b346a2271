"""Arguments of commands: numbers, words, channel lists, and the error each slip has."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TypeVar

from simulators.panels.tree import Refused

T = TypeVar("T")

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_WORD = re.compile(r"[A-Za-z]\w*")
_LIST = re.compile(r"\(@([^()]*)\)")
ENDLESS = "9.9E+37"


def number(text: str, low: float, high: float) -> float:
    """-104 if it is none, -222 outside `low` .. `high`."""
    if not _NUMBER.fullmatch(text):
        raise Refused(-104)
    value = float(text)
    if not low <= value <= high:
        raise Refused(-222)
    return value


def whole(text: str, low: int, high: int) -> int:
    """A whole number; parts are rounded away."""
    return round(number(text, low, high))


def word(text: str, known: Mapping[str, T]) -> T:
    """`known`: words as manuals write them. -224 for another word, -104 for no word at all."""
    for written, value in known.items():
        short = "".join(c for c in written if not c.islower())
        if text.upper() in (short, written.upper()):
            return value
    raise Refused(-224 if _WORD.fullmatch(text) else -104)


def switch(text: str) -> bool:
    """ON, OFF, 1, 0."""
    if text in ("0", "1"):
        return text == "1"
    return word(text, {"ON": True, "OFF": False})


def is_infinite(text: str) -> bool:
    return text.upper() in ("INF", "INFINITY")


def channels(text: str) -> list[str]:
    """`(@101,103:105)` in its order; -104 if it is no such list."""
    match = _LIST.fullmatch(text.replace(" ", ""))
    if match is None:
        raise Refused(-104)
    found: list[str] = []
    for part in match[1].split(","):
        ends = part.split(":")
        if not all(end.isdecimal() for end in ends) or len(ends) > 2:
            raise Refused(-104)
        low, high = int(ends[0]), int(ends[-1])
        if high - low > 999:
            raise Refused(-222)
        found += [str(n) for n in range(low, high + 1)]
    return found


def flag(on: bool) -> str:
    return "1" if on else "0"


def signed(value: float, digits: int) -> str:
    """As +1.2500E+00."""
    return f"{value + 0.0:+.{digits}E}"


def plain(value: float, digits: int) -> str:
    """As 1.2500E+00."""
    return f"{value + 0.0:.{digits}E}"


def short_exponent(value: float, digits: int) -> str:
    """As 1.2500E+0: no zeros before the exponent."""
    mantissa, exponent = f"{value + 0.0:.{digits}E}".split("E")
    return f"{mantissa}E{int(exponent):+d}"
