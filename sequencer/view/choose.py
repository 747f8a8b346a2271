"""Which listener a command gets: the live view on a terminal, plain lines everywhere else."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial
from typing import TextIO

from sequencer.night.listen import Listener, Plain
from sequencer.report.lines import point_line
from sequencer.view.out import let_go, say


def listener_for(stdout: TextIO, json: bool, environment: Mapping[str, str] = os.environ) -> Listener:
    """json: stdout belongs to a program, so that what is said goes to stderr."""
    if json:
        return Plain(partial(say, sys.stderr), point_line)
    if not draws(stdout, environment):
        return Plain(partial(say, stdout), point_line)
    from sequencer.view.live import LiveView  # what is piped need not load it

    return LiveView(stdout, point_line)


@contextmanager
def watching(stdout: TextIO, json: bool) -> Iterator[Listener]:
    """The listener while the block runs; on every way out the terminal is left as it was."""
    listener = listener_for(stdout, json)
    try:
        yield listener
    finally:
        close = getattr(listener, "close", None)
        if close is not None and not close():
            let_go(stdout)


def draws(stdout: TextIO, environment: Mapping[str, str]) -> bool:
    """A terminal that can move its cursor and show the characters of the lines. NO_COLOR only takes colour away."""
    dumb = environment.get("TERM", "").lower() in ("", "dumb", "unknown")
    return stdout.isatty() and not dumb and (stdout.encoding or "").lower().startswith("utf")
