"""The frozen file: what a process that knows nothing else needs to make the bench safe. Standard library only.

It is written before anything is energised, so that whoever reads it needs no bench file, no dialect and no plan.
"""

from __future__ import annotations

import json
import math
import os
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

FORMAT = 1
MOST_PORT = 65_535
EXIT_QUIET, EXIT_REFUSED, EXIT_NOT_CONFIRMED, EXIT_ACTED = 0, 2, 3, 10  # the guardian's


class FrozenProblem(Exception):
    """The file can't be used; says where and what is wrong."""


@dataclass(frozen=True)
class Instrument:
    """opening: lines told first on a connection. off: lines harmless in any state. off_ask: asks whether it is off;
    off_words: replies that say so, in capitals; off_pattern: any others that do, as a regular expression, "" if none.
    identity_begins: how its reply to identity_ask begins. gap_s: rest
    after each line, where it loses what comes sooner."""

    role: str
    host: str
    port: int
    write_end: str
    read_end: str
    opening: tuple[str, ...]
    off: tuple[str, ...]
    off_ask: str
    off_words: tuple[str, ...]
    identity_ask: str
    identity_begins: str
    gap_s: float = 0.0
    off_pattern: str = ""


@dataclass(frozen=True)
class Reading:
    """One question to the supply's meter. label: stands before the value in the reply; gives: "volts", "amps"; units:
    glued to them or a blank after, in the same order, or none."""

    ask: str
    label: str
    gives: tuple[str, ...]
    units: tuple[str, ...] = ()


@dataclass(frozen=True)
class Rail:
    """When the rail at the supply counts as down: below both within bleed_s."""

    readings: tuple[Reading, ...]
    safe_v: float
    safe_a: float
    bleed_s: float


@dataclass(frozen=True)
class Frozen:
    """instruments: told off all at once. rail: None where a person works the supply: nothing reads it, and it is never
    seen to be down. pid, pid_began: the process that holds the links, and its start in clock
    ticks, so that a later process of the same number is left alone. record: where the guardian writes what it did.
    begin_within_s: from being armed to the first beat, which comes before anything is energised. silent_after_s: from
    one beat to the next."""

    run: str
    bench: str
    pid: int
    pid_began: int
    instruments: tuple[Instrument, ...]
    rail: Rail | None
    record: str
    begin_within_s: float = 30.0
    silent_after_s: float = 0.5
    give_up_after_s: float = 30.0
    format: int = FORMAT


def to_text(frozen: Frozen) -> str:
    return json.dumps(asdict(frozen), indent=1, sort_keys=True) + "\n"


def from_text(text: str) -> Frozen:
    """Raises FrozenProblem naming the key."""
    try:
        data = json.loads(text)
    except ValueError as error:
        raise FrozenProblem(f"not JSON: {error}") from None
    if not isinstance(data, dict):
        raise FrozenProblem("not an object")
    if data.get("format") != FORMAT:
        raise FrozenProblem(f"format = {data.get('format')!r}: this version reads {FORMAT}")
    try:
        return _built(data)
    except KeyError as error:
        raise FrozenProblem(f"{error.args[0]}: missing") from None
    except (TypeError, AttributeError) as error:
        raise FrozenProblem(f"a key is unknown or of another kind: {error}") from None


def write(path: Path, frozen: Frozen) -> None:
    """Whole or not at all. Raises OSError."""
    beside = path.with_name(path.name + ".new")
    with beside.open("w", encoding="utf-8") as file:
        file.write(to_text(frozen))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)


def read(path: Path) -> Frozen:
    """Raises FrozenProblem, also where the file can't be read."""
    try:
        return from_text(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise FrozenProblem(f"{path}: can't be read: {error}") from None
    except FrozenProblem as problem:
        raise FrozenProblem(f"{path}: {problem}") from None


def began(pid: int) -> int:
    """Start of a process in clock ticks since boot, 0 where there is none (proc(5), field 22 of stat)."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return 0
    return int(text.rpartition(")")[2].split()[19])  # its name may hold blanks and brackets


# Nothing in the file is taken on trust: the moment of need is too late to find a hole in it.


def _built(data: Mapping[str, Any]) -> Frozen:
    instruments = tuple(_instrument(one, f"instruments[{at}]") for at, one in enumerate(data["instruments"]))
    supplies = [one.role for one in instruments].count("supply")
    if supplies != (0 if data["rail"] is None else 1):
        raise FrozenProblem("instruments: exactly one must be the supply, none where there is no rail to be read")
    whole = {name: _whole(data[name], name) for name in ("pid", "pid_began")}
    limits = {name: _positive(data[name], name) for name in ("begin_within_s", "silent_after_s", "give_up_after_s")}
    texts = {name: _word(data[name], name) for name in ("run", "bench", "record")}
    rail = None if data["rail"] is None else _rail(data["rail"])
    return Frozen(**(dict(data) | {"instruments": instruments, "rail": rail} | whole | limits | texts))


def _instrument(one: Mapping[str, Any], at: str) -> Instrument:
    port = _whole(one["port"], f"{at}.port")
    if port > MOST_PORT:
        raise FrozenProblem(f"{at}.port: {port} is no TCP port")
    named = ("role", "host", "write_end", "read_end", "off_ask", "identity_ask", "identity_begins")
    words = {name: _word(one[name], f"{at}.{name}") for name in named}
    lists = {name: _words(one[name], f"{at}.{name}") for name in ("opening", "off", "off_words")}
    if not (lists["off"] and lists["off_words"]):
        raise FrozenProblem(f"{at}: nothing that switches it off, or nothing that says it is off")
    gap_s = one["gap_s"]
    if type(gap_s) is not float or gap_s != 0.0:
        gap_s = _positive(gap_s, f"{at}.gap_s")
    try:
        re.compile(one["off_pattern"])
    except (re.error, TypeError) as error:
        raise FrozenProblem(f"{at}.off_pattern: {error}") from None
    return Instrument(**(dict(one) | words | lists | {"port": port, "gap_s": gap_s}))


def _rail(rail: Mapping[str, Any]) -> Rail:
    readings = tuple(_reading(one) for one in rail["readings"])
    if {"volts", "amps"} - {name for one in readings for name in one.gives}:
        raise FrozenProblem("rail.readings: volts and amps must both be asked for")
    numbers = {name: _positive(rail[name], f"rail.{name}") for name in ("safe_v", "safe_a", "bleed_s")}
    return Rail(**(dict(rail) | {"readings": readings} | numbers))


def _reading(one: Mapping[str, Any]) -> Reading:
    if not isinstance(one["label"], str):  # it may be empty
        raise FrozenProblem(f"rail.label: {one['label']!r} is no text")
    words = {"ask": _word(one["ask"], "rail.ask"), "gives": _words(one["gives"], "rail.gives")}
    words["units"] = _words(one["units"], "rail.units")
    if words["units"] and len(words["units"]) != len(words["gives"]):
        raise FrozenProblem(f"rail.units: {one['units']!r}: one for each of `gives`, or none")
    return Reading(**(dict(one) | words))


def _word(value: Any, name: str) -> str:
    if not isinstance(value, str) or not value:
        raise FrozenProblem(f"{name}: {value!r} is no text")
    return value


def _words(value: Any, name: str) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise FrozenProblem(f"{name}: {value!r} is no list")
    return tuple(_word(one, name) for one in value)


def _whole(value: Any, name: str) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value <= 0:
        raise FrozenProblem(f"{name}: {value!r} is no whole number above 0")
    return value


def _positive(value: Any, name: str) -> float:
    if not isinstance(value, int | float) or isinstance(value, bool) or not (math.isfinite(value) and value > 0):
        raise FrozenProblem(f"{name}: {value!r} is no number above 0")
    return float(value)
