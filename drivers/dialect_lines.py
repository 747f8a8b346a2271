"""Rules over single lines of a dialect file, and the problem they find. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

PLACE = re.compile(r"\{([^{}]*)\}")
ONE_QUESTION = "exactly one question, with one `?`"


@dataclass(frozen=True)
class Problem:
    """Key path in the file, the value found there, what to do about it."""

    key: str
    value: object
    remedy: str


def listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none"


def stray(key: str, lines: Iterable[str], allowed: set[str]) -> Iterator[Problem]:
    """Placeholders that mean nothing here, and single braces."""
    for line in lines:
        for place in PLACE.findall(line):
            if place not in allowed:
                named = listed("{" + p + "}" for p in sorted(allowed))
                yield Problem(key, line, f"unknown placeholder {{{place}}}; here one may use {named}")
        if "{" in PLACE.sub("", line) or "}" in PLACE.sub("", line):
            yield Problem(key, line, "a brace without its partner")


def telling(key: str, lines: Iterable[str]) -> Iterator[Problem]:
    """Messages that are told."""
    for line in lines:
        if "?" in line:
            yield Problem(key, line, "a message that is told must not ask: move the question to `ask`")
        if ";" in line:
            yield Problem(key, line, "one command a message: write several entries instead of `;`")


def asking(key: str, line: str, allowed: set[str]) -> Iterator[Problem]:
    """A question."""
    if line.count("?") != 1 or ";" in line:
        yield Problem(key, line, ONE_QUESTION)
    yield from stray(key, (line,), allowed)
