"""Every way out of a rehearsal leaves the simulated bench off: its own end, Ctrl-C, SIGTERM, twice, an error.

The truth is the simulators' own log of what reached them, not what we say we sent.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.process


def start(out: Path) -> subprocess.Popen[str]:
    """A slowed rehearsal, so that there is something to interrupt."""
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "sequencer", "dry-run", "demo", "--out", str(out), "--speed", "40"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=os.environ | {"PYTHONUNBUFFERED": "1"},
    )


def until_a_point(process: subprocess.Popen[str]) -> list[str]:
    """Reads lines until the first point is kept."""
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if "p001" in line:
            return lines
    raise AssertionError("".join(lines))


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_stops_makes_safe_and_keeps_what_was_measured(number: signal.Signals, tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = start(out)
    until_a_point(process)
    process.send_signal(number)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 4, rest
    assert "made safe, confirmed" in rest
    results = json.loads((out / "results.json").read_text())
    assert results["runs"][0]["outcome"] == "stopped"
    assert len(results["runs"][0]["points"]) >= 1
    told = [json.loads(line)["payload"] for line in (out / "messages.jsonl").read_text().splitlines()]
    assert told[-1]["state"] == "made safe"


def test_a_second_signal_hurries_and_still_confirms(tmp_path: Path) -> None:
    process = start(tmp_path / "out")
    until_a_point(process)
    process.send_signal(signal.SIGTERM)
    process.send_signal(signal.SIGTERM)
    rest, _ = process.communicate(timeout=60)
    assert process.returncode == 4, rest
    assert "made safe, confirmed" in rest


def test_a_closed_pipe_does_not_end_the_night(tmp_path: Path) -> None:
    out = tmp_path / "out"
    process = start(out)
    until_a_point(process)
    assert process.stdout is not None
    process.stdout.close()
    process.send_signal(signal.SIGINT)
    assert process.wait(timeout=60) == 4
    assert json.loads((out / "results.json").read_text())["runs"][0]["outcome"] == "stopped"
