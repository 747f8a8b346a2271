"""Runs the adversarial script in fresh processes, some at once: each is the others' busy neighbour."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
AT_ONCE = 3
HANG_S = 60.0  # a run takes under a second of its own; the script's watchdog is at 10 s


def start(*arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.wire.adversary", *arguments]
    environment = os.environ | {"PYTHONHASHSEED": "random"}
    return subprocess.Popen(
        command, cwd=ROOT, env=environment, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )


def outcome(process: subprocess.Popen[str]) -> str:
    """What it printed; the last line of its complaint if it failed; "hang"."""
    try:
        printed, complaint = process.communicate(timeout=HANG_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return "hang"
    return printed.strip() if process.returncode == 0 else "error: " + complaint.strip().rpartition("\n")[2]


def outcomes(count: int, *arguments: str) -> list[str]:
    found: list[str] = []
    while len(found) < count:
        batch = [start(*arguments) for _ in range(min(AT_ONCE, count - len(found)))]
        found += [outcome(process) for process in batch]
    return found
