"""The frozen file: what a process that knows nothing else needs to make the bench safe. Standard library only.

It is written before anything is energised, so that whoever reads it needs no bench file, no dialect and no plan.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

FORMAT = 1


class FrozenProblem(Exception):
    """The file can't be used; says where and what is wrong."""


@dataclass(frozen=True)
class Instrument:
    """off: lines harmless in any state. off_ask: asks whether it is off; off_words: replies that say so."""

    role: str
    host: str
    port: int
    write_end: str
    read_end: str
    off: tuple[str, ...]
    off_ask: str
    off_words: tuple[str, ...]


@dataclass(frozen=True)
class Reading:
    """One question to the supply's meter. label: stands before the value in the reply; gives: "volts", "amps"."""

    ask: str
    label: str
    gives: tuple[str, ...]


@dataclass(frozen=True)
class Rail:
    """When the rail at the supply counts as down: below both within bleed_s."""

    readings: tuple[Reading, ...]
    safe_v: float
    safe_a: float
    bleed_s: float


@dataclass(frozen=True)
class Frozen:
    """instruments: in the order they are told off, all begun together. pid, pid_began: the process that holds the
    links, and its start in clock ticks, so that a later process of the same number is left alone. record: where the
    guardian writes what it did."""

    run: str
    bench: str
    pid: int
    pid_began: int
    instruments: tuple[Instrument, ...]
    rail: Rail
    record: str
    silent_after_s: float = 0.5
    give_up_after_s: float = 30.0
    format: int = FORMAT

    @property
    def supply(self) -> Instrument:
        """Raises FrozenProblem where there is none."""
        for one in self.instruments:
            if one.role == "supply":
                return one
        raise FrozenProblem("instruments: no supply among them")


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
        frozen = Frozen(**_built(data))
        frozen.supply  # noqa: B018 (raises where there is none)
        return frozen
    except (TypeError, KeyError, AttributeError, ValueError) as error:
        raise FrozenProblem(f"a key is missing, unknown or of another kind: {error}") from None


def _built(data: Mapping[str, Any]) -> dict[str, Any]:
    rail = data["rail"]
    readings = tuple(Reading(one["ask"], one["label"], tuple(one["gives"])) for one in rail["readings"])
    instruments = tuple(
        Instrument(**(dict(one) | {"off": tuple(one["off"]), "off_words": tuple(one["off_words"])}))
        for one in data["instruments"]
    )
    numbers = {name: float(rail[name]) for name in ("safe_v", "safe_a", "bleed_s")}
    return dict(data) | {"instruments": instruments, "rail": Rail(readings, **numbers)}


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
    return int(text.rpartition(")")[2].split()[19])
