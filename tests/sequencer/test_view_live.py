"""The live view's own bounds: how often it draws, and that nothing it meets ends a night."""

from __future__ import annotations

import io
import sys
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest

from sequencer.night.listen import Nobody, Plain, Several
from sequencer.view.choose import draws, listener_for
from sequencer.view.live import LiveView
from tests.sequencer.view_night import a_reading, a_run, a_shot, powered

AT = "2026-01-05T22:00:00.156+00:00"
ROW: Mapping[str, Any] = {"id": "p001", "heatsink_c": {"A": 40.0}}


def line_of(serial: str, row: Mapping[str, Any]) -> str:
    return f"{serial} {row['id']}"


class Screen(io.StringIO):
    """A terminal that is not one; `broken`: it is gone."""

    broken = False

    def isatty(self) -> bool:
        return True

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return "utf-8"

    def write(self, text: str) -> int:
        if self.broken:
            raise OSError(5, "Input/output error")
        return super().write(text)


class Hand:
    """A clock set by hand, s."""

    now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def test_at_most_four_drawings_a_second_however_much_is_heard() -> None:
    """A thousand shots in one second of real time: one drawing each quarter, which is four and the first."""
    screen, hand, run = Screen(), Hand(), a_run()
    view, point = LiveView(screen, line_of, hand), powered(run)
    shot = a_shot(point, 22.6)
    view.run_begun(run, 1, 2, AT)
    view.point_begun(run, point)
    for k in range(1, 1001):
        hand.now_s = 1000.0 + k / 1000.0
        view.heard(run, shot.request, replace(shot, number=k))
    drawn = screen.getvalue().count("run 1 of 2")
    assert view.close()
    assert drawn == 5


def test_a_finished_point_is_told_at_once_with_what_is_true_then() -> None:
    """Hours may pass before the next thing is heard."""
    screen, hand, run = Screen(), Hand(), a_run()
    view = LiveView(screen, line_of, hand)
    view.run_begun(run, 1, 2, AT)
    view.heard(run, a_shot(powered(run), 22.6).request, a_reading())
    view.point_kept(run, ROW)
    assert "MV-0117 p001\n" in screen.getvalue()
    assert "heat sinks A 40.0 °C" in screen.getvalue().split("MV-0117 p001\n")[1]
    view.close()


def test_a_terminal_that_goes_away_raises_nothing_and_gives_stdout_back() -> None:
    """EIO is what Linux answers to a write to a terminal that hung up (read(2), write(2))."""
    screen, hand, run = Screen(), Hand(), a_run()
    before = sys.stdout, sys.stderr
    view = LiveView(screen, line_of, hand)
    view.run_begun(run, 1, 2, AT)
    screen.broken = True
    view.said("a sentence")
    view.point_kept(run, ROW)
    hand.now_s += 1.0
    view.run_ended(run, "finished", AT)
    assert not view.close()
    assert (sys.stdout, sys.stderr) == before


def test_brackets_in_a_name_are_text() -> None:
    """The library reads [red] as a colour unless it is told not to."""
    screen = Screen()
    view = LiveView(screen, line_of, Hand())
    view.said("unit [red]MV-0117[/red]")
    assert "unit [red]MV-0117[/red]" in screen.getvalue()


@pytest.mark.parametrize(
    ("environment", "live"),
    [
        ({"TERM": "xterm-256color"}, True),
        ({"TERM": "xterm-256color", "NO_COLOR": "1"}, True),
        ({"TERM": "dumb"}, False),
        ({}, False),
    ],
)
def test_who_gets_the_live_view(environment: dict[str, str], live: bool) -> None:
    assert draws(Screen(), environment) is live
    assert not draws(io.StringIO(), environment)
    assert isinstance(listener_for(Screen(), True, environment), Plain)
    assert isinstance(listener_for(Screen(), False, environment), LiveView if live else Plain)


def test_plain_lines_are_sentences_and_finished_points() -> None:
    lines: list[str] = []
    run = a_run()
    shot = a_shot(powered(run), 22.6)
    several = Several((Nobody(), Plain(lines.append, line_of)))
    several.run_begun(run, 1, 1, AT)
    several.said("unit MV-0117 in bay 1")
    several.point_begun(run, run.points[0])
    several.heard(run, shot.request, shot)
    several.point_kept(run, ROW)
    several.run_ended(run, "finished", AT)
    assert lines == ["unit MV-0117 in bay 1", "MV-0117 p001"]
