"""Command trees after SCPI-1999, volume 1, clause 6: short and long forms, suffixes, `;` and the node it stays at."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from simulators.panel import Wait

MOST_KNOWN = 2000
SHIELDS = frozenset("\"'()")

TEXTS = {
    0: "No error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -211: "Trigger ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
}


class Refused(Exception):
    """A command that is not carried out; its number goes into the error queue."""

    def __init__(self, number: int) -> None:
        super().__init__(number, TEXTS[number])
        self.number = number


@dataclass(frozen=True)
class Unit:
    """One command of a message, as it came."""

    header: str
    query: bool
    args: tuple[str, ...]


@dataclass(frozen=True)
class Call:
    """A command with its suffixes resolved. window_end_ns: when its own measuring, if any, was over."""

    now_ns: int
    suffixes: tuple[int, ...]
    args: tuple[str, ...]
    window_end_ns: int

    @property
    def suffix(self) -> int:
        return self.suffixes[0]


Reply = str | bytes | Wait
Setter = Callable[[Call], None]
Query = Callable[[Call], Reply]


@dataclass(frozen=True)
class Command:
    """takes: how many arguments the setting form takes (None: any number); query_takes: the query."""

    set: Setter | None = None
    query: Query | None = None
    takes: int | None = 1
    query_takes: int = 0
    suffixes: tuple[int, ...] = (1,)
    lasts_s: Callable[[tuple[str, ...]], float] | None = None


@dataclass(frozen=True)
class Found:
    """A command and the suffixes it was called with."""

    command: Command
    suffixes: tuple[int, ...]


class Tree:
    """Headers to commands. Patterns are written as manuals do: `OUTPut<n>[:STATe]`."""

    def __init__(self) -> None:
        self._commands: dict[tuple[str, ...], tuple[Command, tuple[bool, ...]]] = {}
        self._known: dict[tuple[str, ...], Found] = {}  # as they came: the same headers come all night

    def add(self, pattern: str, command: Command) -> None:
        for nodes in _without_brackets(pattern):
            counted = tuple(node.endswith("<n>") for node in nodes)
            for key in itertools.product(*(_forms(node.removesuffix("<n>")) for node in nodes)):
                self._commands[key] = (command, counted)
        self._known.clear()

    def remove(self, pattern: str) -> None:
        """Take back what was added as `pattern`."""
        for nodes in _without_brackets(pattern):
            for key in itertools.product(*(_forms(node.removesuffix("<n>")) for node in nodes)):
                del self._commands[key]
        self._known.clear()

    def find(self, nodes: Sequence[str]) -> Found:
        """Refused -113 for a header that is not there, -114 for a number it does not have."""
        known = self._known.get(tuple(nodes))
        if known is None:
            known = self._found(nodes)
            if len(self._known) < MOST_KNOWN:
                self._known[tuple(nodes)] = known
        return known

    def _found(self, nodes: Sequence[str]) -> Found:
        parts = [_split_number(node.upper()) for node in nodes]
        entry = self._commands.get(tuple(name for name, _ in parts))
        if entry is None:
            raise Refused(-113)
        command, counted = entry
        if any(number is not None and not may for (_, number), may in zip(parts, counted, strict=True)):
            raise Refused(-113)
        suffixes = tuple(
            1 if number is None else number for (_, number), may in zip(parts, counted, strict=True) if may
        )
        if any(number not in command.suffixes for number in suffixes):
            raise Refused(-114)
        return Found(command, suffixes)


class Position:
    """The node at which a message stands."""

    def __init__(self) -> None:
        self._nodes: list[str] = []

    def moved(self, header: str) -> list[str]:
        """All nodes of `header`, seen from here; `*` commands leave the node alone."""
        if header.startswith("*"):
            return [header]
        own = header.removeprefix(":").split(":")
        nodes = own if header.startswith(":") else self._nodes + own
        self._nodes = nodes[:-1]
        return nodes


def units(message: str) -> list[Unit]:
    """The commands of a message."""
    return [_unit(text.strip()) for text in _split(message, ";") if text.strip()]


def _unit(text: str) -> Unit:
    header, _, rest = text.replace("\t", " ").partition(" ")
    query = header.endswith("?")
    args = tuple(a.strip() for a in _split(rest, ",")) if rest.strip() else ()
    return Unit(header.removesuffix("?"), query, args)


def _split(text: str, mark: str) -> list[str]:
    """At `mark`, but not inside quotes or round brackets."""
    if not SHIELDS.intersection(text):
        return text.split(mark)
    parts, depth, quote = [""], 0, ""
    for char in text:
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        else:
            depth += {"(": 1, ")": -1}.get(char, 0)
        if char == mark and not quote and depth <= 0:
            parts.append("")
        else:
            parts[-1] += char
    return parts


def _without_brackets(pattern: str) -> Iterable[list[str]]:
    """All ways to write a pattern with and without its optional nodes."""
    parts = re.findall(r"\[:([^\]]+)\]|:?([^:\[\]]+)", pattern)
    choices = [[[], [maybe]] if maybe else [[always]] for maybe, always in parts]
    for picked in itertools.product(*choices):
        yield [node for nodes in picked for node in nodes]


def _forms(node: str) -> set[str]:
    """Exact short form (the capitals) and exact long form."""
    short = "".join(c for c in node if not c.islower())
    return {short, node.upper()}


def _split_number(node: str) -> tuple[str, int | None]:
    match = re.fullmatch(r"(.*?[A-Z*])(\d+)", node)
    return (match[1], int(match[2])) if match else (node, None)
