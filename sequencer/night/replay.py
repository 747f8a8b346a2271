"""A measurement led through its talk once more, from what was kept of it. Pure but for reading files."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Generator, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeVar

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.traces import read_trace
from sequencer.measurements.requests import Answer, BenchReading, Fire, ReadOhms, Reply, Request, SecondTone

T = TypeVar("T")
Heard = Callable[[Request, Reply], None]


class OtherWay(Exception):
    """The measurement asks for something else than it did then: from there on nothing is known."""


def talks_of(folder: Path, measurement: str) -> list[Path]:
    """The talks of that measurement at one point, in order; more than one where it was tried again."""
    return sorted(folder.glob(f"[0-9][0-9]-{measurement}.jsonl"))


def replay(talk: Path, measure: Generator[Request, Reply, T], heard: Heard) -> T:
    """What it returns now. Raises OtherWay, and InputRefused for files that are no talk."""
    reply: Reply = None
    lines = _lines(talk)
    try:
        while True:
            request = measure.send(reply)
            line = next(lines, None)
            if line is None or line["asked"] != type(request).__name__:
                then = "nothing more" if line is None else line["asked"]
                raise OtherWay(f"asks for {type(request).__name__} where {then} was asked then")
            reply = _reply(talk, line, request)
            heard(request, reply)
    except StopIteration as end:
        result: T = end.value
        return result


def has_two_tones(talk: Path) -> bool:
    """Whether two tones were fired at once: the generator of then could, whatever bench reads this now."""
    return any((line.get("request") or {}).get("second") for line in _lines(talk))


def has_meter_ohms(talk: Path) -> bool:
    """Whether the bench's meter was asked for ohms: that of then could read them."""
    return any(line["asked"] == ReadOhms.__name__ for line in _lines(talk))


def _lines(talk: Path) -> Iterator[dict[str, Any]]:
    for number, text in enumerate(talk.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            line = json.loads(text)
            if not isinstance(line["asked"], str):
                raise TypeError
        except (ValueError, KeyError, TypeError):
            words = "not a line of a kept talk: it was cut off or changed"
            raise InputRefused([Problem(str(talk), f"line {number}", text[:60], words)]) from None
        yield line


def _reply(talk: Path, line: dict[str, Any], request: Request) -> Reply:
    if "shot" in line:
        shot = read_trace(talk.parent / line["shot"])
        fired = _fired(line["request"])
        asked = request.level_vrms if isinstance(request, Fire) else None
        if asked is not None and asked != fired.level_vrms:
            raise OtherWay(f"fires {asked:.6g} Vrms where {fired.level_vrms:.6g} Vrms were fired then")
        return replace(shot, request=fired)
    if "answer" in line:
        return Answer(**line["answer"])
    return _reading(line["reading"]) if "reading" in line else None


def _reading(kept: Mapping[str, Any]) -> BenchReading:
    """What nothing read was kept as null."""
    unseen = {name: math.nan for name in ("supply_v", "supply_a") if kept[name] is None}
    return BenchReading(**{**kept, **unseen})


def _fired(stored: dict[str, Any]) -> Fire:
    """Two tones are kept as a table within the request."""
    second = stored.get("second")
    return Fire(**stored | {"second": SecondTone(**second) if second else None})
