"""The reference unit first and last in a short night: alike on a bench that stays what it was, and the night's numbers
suspect where the bench's digitiser moves between the two."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, dry_run
from sequencer.night.listen import Nobody
from sequencer.night.setup import UnitRun
from simulators.world.bench_truth import InputTruth

PLAN = """
format = 1
name = "reference"
reference = "first and last"
rest = "quick"

[[stage]]
name = "idle"
measurement = "idle_current"

[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles"]
"""
MOVED = 0.03


class Moves(Nobody):
    """From the second run on, every range of the digitiser shows so much more."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, moved: float) -> None:
        self._monkeypatch, self._moved = monkeypatch, moved

    def run_begun(self, run: UnitRun, number: int, of: int, at: str) -> None:
        if number != 2:
            return
        before = InputTruth.range_gain_error

        def after(one: InputTruth, volts_per_division: float, seed: int, input_number: int) -> float:
            return before(one, volts_per_division, seed, input_number) + self._moved

        self._monkeypatch.setattr(InputTruth, "range_gain_error", after)


def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moved: float) -> dict[str, Any]:
    (tmp_path / "plan.toml").write_text(PLAN)
    asked = DryRun(
        str(tmp_path / "plan.toml"), ("mv_0131",), "ferry_workshop", tmp_path / "out",
        listener=Moves(monkeypatch, moved),
    )  # fmt: skip
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == 0, done.text
    found: dict[str, Any] = json.loads((tmp_path / "out" / "results.json").read_text())
    assert [run["unit"]["serial"] for run in found["runs"]] == ["MV-0131", "MV-0131"]
    return found


def test_a_bench_that_stays_is_not_suspect(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert night(tmp_path, monkeypatch, 0.0)["suspect"] is None


def test_a_digitiser_that_moved_makes_the_night_suspect(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """3 % of volts are 20 log 1.03 = 0.257 dB of power, more than the 0.15 dB allowed (common practice, no source); the
    idle current, which the digitiser does not see, stays."""
    suspect = night(tmp_path, monkeypatch, MOVED)["suspect"]
    assert suspect is not None
    assert "+0.26 dB" in suspect or "+0.25 dB" in suspect
    assert "A (" not in suspect
