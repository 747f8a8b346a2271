"""Lines to an output that may be closed at any time."""

from __future__ import annotations

import os
import sys
from typing import TextIO


def say(out: TextIO, line: str) -> None:
    """A closed terminal or pipe must not end a night: what can't be shown is in the ledger."""
    try:
        out.write(f"{line}\n")
        out.flush()
    except OSError:
        let_go(out)


def let_go(out: TextIO) -> None:
    """Of an output that is closed: what is left in it must not fail at the process's end."""
    if sys.stdout is out:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115 (kept to the end)
