"""A command in a terminal of its own, and the screen as a person would see it (pyte reads the escape codes)."""

from __future__ import annotations

import fcntl
import os
import pty
import struct
import sys
import termios
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pyte

ROWS = 40
REMOVED = ("NO_COLOR", "COLUMNS", "LINES", "FORCE_COLOR", "TTY_COMPATIBLE")


@dataclass
class Terminal:
    """frames: what stood on the screen after each piece that came. modes_before: as before the command began."""

    fd: int
    pid: int
    screen: Any
    stream: Any
    modes_before: list[Any]
    raw: bytes = b""
    frames: list[list[str]] = field(default_factory=list)
    modes_after: list[Any] = field(default_factory=list)
    exit_code: int = 0

    def resize(self, columns: int) -> None:
        _size(self.fd, columns)
        self.screen.resize(ROWS, columns)

    def type(self, keys: bytes) -> None:
        os.write(self.fd, keys)

    @property
    def last(self) -> list[str]:
        return self.frames[-1]


def in_terminal(
    *arguments: str, columns: int = 80, seen: Callable[[Terminal], None] | None = None, **environment: str
) -> Terminal:
    """Runs nightramp to its end; `seen` is called after each piece of output."""
    pid, fd = pty.fork()
    if pid == 0:
        _size(1, columns)
        kept = {name: value for name, value in os.environ.items() if name not in REMOVED}
        line = [sys.executable, "-P", "-m", "sequencer", *arguments]
        os.execve(sys.executable, line, kept | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"} | environment)
    screen = pyte.Screen(columns, ROWS)
    terminal = Terminal(fd, pid, screen, pyte.ByteStream(screen), termios.tcgetattr(fd))
    try:
        while piece := _read(fd):
            terminal.raw += piece
            terminal.stream.feed(piece)
            terminal.frames.append([line.rstrip() for line in screen.display])
            terminal.modes_after = termios.tcgetattr(fd)
            if seen is not None:
                seen(terminal)
    finally:
        terminal.exit_code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        os.close(fd)
    return terminal


def _read(fd: int) -> bytes:
    """Nothing once the other side is closed, which Linux tells as an error."""
    try:
        return os.read(fd, 65536)
    except OSError:
        return b""


def _size(fd: int, columns: int) -> None:
    fcntl.ioctl(fd, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, columns, 0, 0))
