"""The live view on a terminal: finished points scroll by as plain lines, a few lines below them stay in place.

Nothing is drawn by a timer: the night's loop may be virtual, and a real timer there is an error. The view draws when
it hears something, if enough real time has passed.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Mapping
from typing import Any, TextIO

from rich.console import Console
from rich.live import Live
from rich.style import Style
from rich.text import Text

from sequencer.measurements.requests import Reply, Request
from sequencer.night.listen import LineOfPoint
from sequencer.night.setup import UnitRun
from sequencer.plan.points import AnyPoint
from sequencer.view import now as state
from sequencer.view.words import block, cut, folded

REDRAW_S = 0.25
MUTED = Style(color="cyan", dim=True)


def real_s() -> float:
    return time.monotonic()  # noqa: TID251 (a terminal lives on real time; nothing measured depends on it)


class _Terminal(Console):
    def on_broken_pipe(self) -> None:
        """Raises OSError: a terminal that is gone must not end a night, nor this process."""
        raise OSError("the terminal is gone")


class LiveView:
    """A Listener. `close` on any way out: it takes the standing lines away and leaves the terminal as it was."""

    def __init__(self, stdout: TextIO, line_of: LineOfPoint, real_s: Callable[[], float] = real_s) -> None:
        self._out, self._line_of, self._real_s = stdout, line_of, real_s
        self._console = _Terminal(file=stdout, force_terminal=True, force_jupyter=False, highlight=False, markup=False)
        self._live: Live | None = None
        self._now = state.Now()
        self._drawn_s = float("-inf")
        self._gone = False

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        self._now = state.begun(self._now, run, number, of, at)
        self._if_due()

    def point_begun(self, run: UnitRun, point: AnyPoint) -> None:
        self._now = state.at_point(self._now, run, point)
        self._if_due()

    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        self._now = state.heard(self._now, request, reply)
        self._if_due()

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        """At once, however lately something was drawn: hours may pass before the next thing is heard."""
        self._now = state.kept(self._now, row)
        self._safely(lambda: self._print([cut(self._line_of(run.unit.serial, row), self._width())]))

    def said(self, line: str) -> None:
        self._safely(lambda: self._print(folded(line, self._width())))

    def run_ended(self, run: UnitRun, outcome: str, at: str) -> None:
        self._now = state.ended(self._now, at)
        self._if_due()

    def close(self) -> bool:
        """Once or often. False: the terminal is gone."""
        live, self._live = self._live, None
        if live is not None:
            try:
                live.stop()  # also where the terminal is gone: it hands stdout and stderr back
            except (OSError, ValueError):
                self._gone = True
        return not self._gone

    def _if_due(self) -> None:
        if self._real_s() - self._drawn_s >= REDRAW_S:
            self._safely(self._draw)

    def _draw(self) -> None:
        self._console.width = self._width()
        self._renew(self._live or self._begin())

    def _begin(self) -> Live:
        live = Live(self._block(), console=self._console, auto_refresh=False, transient=True, vertical_overflow="crop")
        live.start()
        self._live = live
        self._console.show_cursor(True)  # it stays visible: a process that is killed can't bring it back
        return live

    def _block(self) -> Text:
        first, *rest = block(self._now, self._width())
        return Text.assemble((first, MUTED), *(f"\n{line}" for line in rest), no_wrap=True, overflow="crop")

    def _print(self, lines: list[str]) -> None:
        """Above the standing lines, in one write."""
        self._console.width = self._width()  # anew each time: the window may have changed
        with self._console:
            self._console.print(Text("\n".join(lines), no_wrap=True, overflow="crop"))
            if self._live is not None:
                self._renew(self._live)

    def _renew(self, live: Live) -> None:
        self._drawn_s = self._real_s()
        live.update(self._block(), refresh=True)

    def _width(self) -> int:
        try:
            return max(1, os.get_terminal_size(self._out.fileno()).columns)
        except (OSError, ValueError):
            return 80

    def _safely(self, act: Callable[[], None]) -> None:
        """What can't be shown is in the ledger: a closed terminal is no reason to end a night."""
        if self._gone:
            return
        try:
            act()
        except (OSError, ValueError):  # gone; or its encoding lacks a character
            self._gone = True
