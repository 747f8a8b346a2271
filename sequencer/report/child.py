"""The pages of a night, written by a process of their own: drawing never shares a process with a bench."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ALLOWED_S = 300.0
CLOSING = ("internal fault: the lines above", "refused:")  # of the command line: the line before them says why


def pages_in_child(night: Path) -> str:
    """Writes the pages of the night in that folder; returns one line that says where, or why not. Never raises:
    the night is over and kept, and paper can be made again."""
    command, environment = command_for(night)
    try:
        done = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=ALLOWED_S, check=False)
    except (OSError, subprocess.SubprocessError, KeyboardInterrupt) as error:
        return f"pages not written: {error or type(error).__name__}; nightramp report {night} writes them"
    return what_it_said(night, done.returncode, done.stdout, done.stderr)


def command_for(night: Path, *more: str) -> tuple[list[str], dict[str, str]]:
    """The words of the command, and its environment."""
    ours = str(Path(__file__).resolve().parents[2])
    found = os.environ.get("PYTHONPATH")
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, (ours, found))), "OPENBLAS_NUM_THREADS": "1"}
    return [sys.executable, "-P", "-m", "sequencer", "report", str(night.absolute()), *more], environment


def what_it_said(night: Path, code: int, stdout: str, stderr: str) -> str:
    """One line of a child that has ended."""
    told = (stdout if code == 0 else stderr).splitlines()
    said = [line for line in told if line.strip() and not line.startswith(CLOSING)]
    last = said[-1] if said else "no word of why"
    return last if code == 0 else f"pages not written: {last}; nightramp report {night} writes them"
