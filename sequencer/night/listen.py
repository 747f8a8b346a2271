"""Who hears a night go by: a person's terminal, a page, a file, nobody. What is heard changes nothing.

A listener is called on the night's own loop, between two shots: it must not raise, must not block and must not wait.
Nothing measured depends on it, so a night with any listener writes the same results as one without.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from sequencer.measurements.requests import Reply, Request
from sequencer.night.setup import UnitRun
from sequencer.plan.points import AnyPoint

Line = Callable[[str], None]
LineOfPoint = Callable[[str, Mapping[str, Any]], str]  # serial, row of the results -> one line


class Listener(Protocol):
    """`at`: RFC 3339, bench time. `number` of `of`: the run's place in the night, from 1."""

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None: ...
    def point_begun(self, run: UnitRun, point: AnyPoint) -> None: ...
    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        """Each request of a measurement, with the reply it was sent."""

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        """The point's row as it stands in the ledger."""

    def said(self, line: str) -> None:
        """A sentence for a person."""

    def run_ended(self, run: UnitRun, outcome: str, at: str) -> None: ...


class Nobody:
    """Hears nothing."""

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        pass

    def point_begun(self, run: UnitRun, point: AnyPoint) -> None:
        pass

    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        pass

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        pass

    def said(self, line: str) -> None:
        pass

    def run_ended(self, run: UnitRun, outcome: str, at: str) -> None:
        pass


@dataclass(frozen=True)
class Plain(Nobody):
    """Every sentence, and one line for every point that is kept. line_of: handed in, the night knows no pages."""

    line: Line
    line_of: LineOfPoint

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        self.line(self.line_of(run.unit.serial, row))

    def said(self, line: str) -> None:
        self.line(line)


@dataclass(frozen=True)
class Several:
    """Tells every one of them, in order."""

    listeners: tuple[Listener, ...]

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        for one in self.listeners:
            one.run_begun(run, number, of, at)

    def point_begun(self, run: UnitRun, point: AnyPoint) -> None:
        for one in self.listeners:
            one.point_begun(run, point)

    def heard(self, run: UnitRun, request: Request, reply: Reply) -> None:
        for one in self.listeners:
            one.heard(run, request, reply)

    def point_kept(self, run: UnitRun, row: Mapping[str, Any]) -> None:
        for one in self.listeners:
            one.point_kept(run, row)

    def said(self, line: str) -> None:
        for one in self.listeners:
            one.said(line)

    def run_ended(self, run: UnitRun, outcome: str, at: str) -> None:
        for one in self.listeners:
            one.run_ended(run, outcome, at)
