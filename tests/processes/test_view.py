"""The live view in a real terminal: it changes no result, stays in its place, and leaves the terminal as it was."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.processes.terminal import Terminal, in_terminal

pytestmark = pytest.mark.process

STANDING = re.compile(r"bench time \d+:\d\d:\d\d; unit MV-\d+ in bay \d, run \d of 2")
COLOUR = re.compile(rb"\x1b\[[0-9;]*(?:3[0-7]|4[0-7]|9[0-7])[0-9;]*m")  # ECMA-48, SGR 30 to 47; 90 to 97 as xterm
ESCAPE = b"\x1b"


@dataclass(frozen=True)
class Piped:
    out: Path
    stdout: str


@pytest.fixture(scope="module")
def piped(tmp_path_factory: pytest.TempPathFactory) -> Piped:
    """The same night without a terminal."""
    out = tmp_path_factory.mktemp("piped") / "out"
    line = [sys.executable, "-P", "-m", "sequencer", "dry-run", "first", "--out", str(out)]
    return Piped(out, subprocess.run(line, capture_output=True, text=True, check=True).stdout)


def left_as_found(terminal: Terminal) -> bool:
    """The cursor is shown and stands at the first column; no mode of the line discipline has changed."""
    screen = terminal.screen
    return not screen.cursor.hidden and screen.cursor.x == 0 and terminal.modes_after == terminal.modes_before


def standing(frame: list[str]) -> list[int]:
    return [row for row, line in enumerate(frame) if STANDING.match(line)]


def files(out: Path) -> dict[str, bytes]:
    """What a night leaves that may be compared byte for byte: a ledger's pages hold its own order of writing."""
    chosen = [out / "results.json", *sorted((out / "traces").glob("*"))]
    return {path.name: path.read_bytes() for path in chosen}


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_results_are_the_same_with_and_without_the_view(columns: int, piped: Piped, tmp_path: Path) -> None:
    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "seen"), columns=columns)
    assert terminal.exit_code == 0
    shown = [frame for frame in terminal.frames if standing(frame)]
    assert shown, "the view never stood on the screen: this test would compare nothing"
    for frame in shown:
        (row,) = standing(frame)  # one block, never a stale second one
        assert not any(frame[row + 5 :]), frame  # five lines, and nothing below: none has wrapped
    assert left_as_found(terminal)
    assert files(tmp_path / "seen") == files(piped.out)
    assert ESCAPE.decode() not in piped.stdout


def test_finished_points_scroll_by_in_the_words_of_a_pipe(piped: Piped, tmp_path: Path) -> None:
    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "seen"), columns=200)
    said = [line for line in piped.stdout.splitlines() if re.match(r"unit MV-\d+ in bay|MV-\d+ p\d+", line)]
    assert len(said) == 4
    before_the_end = [frame for frame in terminal.frames if any(line in frame for line in said)]
    assert all(any(line in frame for frame in before_the_end) for line in said)


def test_at_the_end_both_times_are_told(piped: Piped, tmp_path: Path) -> None:
    """In a terminal and piped; bench time is that of the results, from 22:00:00 to the end of the last run."""
    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "seen"))
    told = re.compile(r"^bench time (\d+\.\d) s, run through in (\d+\.\d) s$", re.MULTILINE)
    in_view, in_pipe = told.search("\n".join(terminal.last)), told.search(piped.stdout)
    assert in_view is not None
    assert in_pipe is not None
    assert in_view[1] == in_pipe[1]
    last = re.findall(r'"ended": ?"2026-01-05T22:00:(\d\d\.\d+)', (tmp_path / "seen" / "results.json").read_text())[-1]
    assert float(last) - 0.1 < float(in_view[1]) < float(last) + 5.0


def test_ctrl_c_takes_the_view_away_and_makes_safe(tmp_path: Path) -> None:
    pressed = False

    def press(terminal: Terminal) -> None:
        nonlocal pressed
        if not pressed and any("ramping" in line for line in terminal.frames[-1]):
            pressed = True
            terminal.type(b"\x03")

    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "o"), "--speed", "20", columns=60, seen=press)
    assert pressed
    assert terminal.exit_code == 4
    assert "made safe, confirmed" in "\n".join(terminal.last)
    assert not standing(terminal.last)
    assert left_as_found(terminal)


def test_a_window_that_changes_its_size_is_followed(tmp_path: Path) -> None:
    """Made narrower, then wider: what is drawn last is as wide as the window is then."""
    changes = iter([(1, 60), (2, 120)])
    wanted: tuple[int, int] | None = next(changes)

    def change(terminal: Terminal) -> None:
        nonlocal wanted
        if wanted and sum("p001" in line for line in terminal.last) >= 1 and standing(terminal.last):
            terminal.resize(wanted[1])
            wanted = next(changes, None)

    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "o"), "--speed", "20", columns=100, seen=change)
    assert wanted is None
    assert terminal.exit_code == 0
    assert left_as_found(terminal)


def test_a_terminal_that_cannot_move_its_cursor_gets_plain_lines(tmp_path: Path) -> None:
    """TERM=dumb is terminfo's entry for a terminal without any such capability."""
    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "o"), TERM="dumb")
    assert terminal.exit_code == 0
    assert ESCAPE not in terminal.raw
    assert b"p001" in terminal.raw


def test_no_color_takes_colour_away_and_nothing_else(tmp_path: Path) -> None:
    """NO_COLOR set and not empty: no colour of ours (no-color.org, an informal standard; from memory)."""
    plain = in_terminal("dry-run", "first", "--out", str(tmp_path / "a"), NO_COLOR="1")
    assert COLOUR.search(plain.raw) is None
    assert any(standing(frame) for frame in plain.frames)
    assert COLOUR.search(in_terminal("dry-run", "first", "--out", str(tmp_path / "b")).raw) is not None


def test_a_program_that_reads_gets_json_alone(tmp_path: Path) -> None:
    """--json: stdout belongs to the program even where it is a terminal; nothing stands in place."""
    terminal = in_terminal("dry-run", "first", "--out", str(tmp_path / "o"), "--json")
    assert ESCAPE not in terminal.raw
    assert terminal.exit_code == 0


def test_a_terminal_that_is_closed_stops_the_night_and_loses_nothing(tmp_path: Path) -> None:
    """Its SIGHUP stops the night as any signal does: made safe, and what was measured is kept."""
    closed = False

    def close(terminal: Terminal) -> None:
        nonlocal closed
        if not closed and any("ramping" in line for line in terminal.frames[-1]):
            closed = True
            os.dup2(os.open(os.devnull, os.O_RDONLY), terminal.fd)

    out = tmp_path / "o"
    terminal = in_terminal("dry-run", "first", "--out", str(out), "--speed", "20", seen=close)
    assert closed
    assert terminal.exit_code == 4
    assert '"outcome": "stopped"' in (out / "results.json").read_text()
