"""A point that trips once and is tried once more: two trips at most, and one row."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, dry_run
from sequencer.errors import EXIT_DONE, EXIT_TRIPPED
from sequencer.night.keeping import Keeper
from sequencer.night.measuring import Measuring
from sequencer.night.trips import UnitTrip

PLAN = """
format = 1
name = "again"
rest = "quick"

[[stage]]
name = "power"
measurement = "output_power"
loads = ["8R"]
drives = ["1 cycle"]
after_trip = "cool and retry once"
"""


@pytest.mark.parametrize(("trips", "code", "outcome"), [(1, EXIT_DONE, "measured"), (2, EXIT_TRIPPED, "tripped")])
def test_one_row_whatever_comes_of_the_second_try(
    trips: int, code: int, outcome: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By rule: a point is kept once. The trip itself is put in by hand; all else is the night's own."""
    honest, tries = Measuring._searched, 0

    async def searched(self: Measuring, job: Any, point: Any) -> Any:
        nonlocal tries
        tries += 1
        if tries <= trips:
            raise UnitTrip("put in by hand", {"point": point.id, "rule": "heat sink"}, point.after_trip)
        return await honest(self, job, point)

    monkeypatch.setattr(Measuring, "_searched", searched)
    (tmp_path / "plan.toml").write_text(PLAN)
    asked = DryRun(str(tmp_path / "plan.toml"), ("ferry_pa_60",), "workshop", tmp_path / "night")
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == code, done.text
    (run,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
    assert [(row["id"], row["outcome"]) for row in run["points"]] == [("p001", outcome)]
    assert [trip["sentence"] for trip in run["trips"]] == ["put in by hand"] * trips


def test_a_trip_after_the_row_was_kept_measures_nothing_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As when the watch finds something while the disk writes, or outputs do not come back after a protection."""
    honest, kept = Keeper.point, list[str]()

    async def point(self: Keeper, run: Any, one: Any, row: Any, outcome: Any) -> None:
        await honest(self, run, one, row, outcome)
        kept.append(one.id)
        if len(kept) == 1:
            raise UnitTrip("put in by hand", {"point": one.id, "rule": "heat sink"}, one.after_trip)

    monkeypatch.setattr(Keeper, "point", point)
    (tmp_path / "plan.toml").write_text(PLAN + "stop_limit = { thd_pct = [1.0, 0.5] }\n")
    asked = DryRun(str(tmp_path / "plan.toml"), ("ferry_pa_60",), "workshop", tmp_path / "night")
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == EXIT_DONE, done.text
    (run,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
    assert [(row["id"], row["outcome"]) for row in run["points"]] == [("p001", "measured"), ("p002", "measured")]
    assert [trip["sentence"] for trip in run["trips"]] == ["put in by hand"]
