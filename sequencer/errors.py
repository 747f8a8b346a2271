"""Errors that end a command, each with the exit code the command line gives it."""

from __future__ import annotations

from dataclasses import dataclass

EXIT_DONE = 0
EXIT_TRIPPED = 1
EXIT_REFUSED = 2
EXIT_NOT_CONFIRMED_SAFE = 3
EXIT_STOPPED = 4
EXIT_FAULT = 5


@dataclass(frozen=True, order=True)
class Problem:
    """One thing wrong with an input: where, what was found, what to do."""

    file: str
    key: str
    value: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.file}: {self.key} = {self.value}: {self.remedy}"


class InputRefused(Exception):
    """Inputs that cannot be used. All problems together; nothing was touched, nothing written."""

    exit_code = EXIT_REFUSED

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


class Fault(Exception):
    """An internal fault: ours, not the unit's and not the bench's."""

    exit_code = EXIT_FAULT
