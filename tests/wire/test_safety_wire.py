"""A unit that passes a trip limit, over real sockets: its point ends by name, the bench is made safe, and the night
goes on with the next unit, or not, as the plan says. The limits are set in the units' own files, just above the air."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, Rig, dry_run
from simulators.bench import SimulatedBench

ROOT = Path(__file__).resolve().parents[2]
HOT_C = 22.3  # the room has 21.5 degC, by the unit's truth
PLAN = """
format = 1
name = "short"
rest = "quick"

[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R", "4R"]
drives = ["20 cycles"]
after_trip = "{after}"
"""


def night(folder: Path, after: str, *units: tuple[str, float]) -> tuple[int, dict[str, Any], SimulatedBench]:
    """(exit code, results, the bench afterwards). units: shipped name and trip limit of its heat sinks, degC."""
    (folder / "plan.toml").write_text(PLAN.format(after=after))
    files = []
    for name, trip_c in units:
        text = (ROOT / "sequences" / "units" / f"{name}.toml").read_text()
        assert "stop_c = 75.0\ntrip_c = 85.0" in text
        file = folder / f"{name}.toml"
        limits = f"stop_c = {trip_c - 0.001:.3f}\ntrip_c = {trip_c}"
        file.write_text(text.replace("stop_c = 75.0\ntrip_c = 85.0", limits))
        files.append(str(file))
    seen: list[SimulatedBench] = []
    asked = DryRun(
        str(folder / "plan.toml"), tuple(files), "ferry_workshop", folder / "out", rig=Rig(watch=seen.append)
    )
    done = dry_run(asked, lambda line: None)
    return done.exit_code, json.loads((folder / "out" / "results.json").read_text()), seen[0]


def watts(run: dict[str, Any]) -> list[float]:
    return [c["power_w"] for p in run["points"] for c in p["channels"]]


def is_safe(bench: SimulatedBench) -> bool:
    """By the world's own state: supply off, no contact closed, no energy after it."""
    now_ns = 10**15
    means = bench.world.supply_means(now_ns - 10**9, now_ns)
    return abs(means.volts) < 2.0 and abs(means.amps) < 0.05 and not bench.world.contacts(now_ns)


def test_a_heat_sink_beyond_its_trip_limit_and_the_next_unit(tmp_path: Path) -> None:
    """Idle heat alone passes it within the first search. Exit 1: a trip; the point stands as tripped, and why."""
    (tmp_path / "two").mkdir()
    (tmp_path / "one").mkdir()
    code, results, bench = night(tmp_path / "two", "next unit", ("mv_0131", HOT_C), ("mv_0137", 85.0))
    assert code == 1
    first, second = results["runs"]
    assert (first["outcome"], second["outcome"]) == ("tripped", "finished")
    (trip,) = first["trips"]
    assert "heat sink" in trip["sentence"]
    assert (trip["cause"], trip["point"], trip["limit"]) == ("unit", first["points"][-1]["id"], HOT_C)
    assert trip["value"] >= HOT_C
    assert first["points"][-1]["outcome"] == "tripped"
    assert first["points"][-1]["reason"] == trip["sentence"]
    assert is_safe(bench)
    code, alone, _ = night(tmp_path / "one", "next unit", ("mv_0137", 85.0))
    assert code == 0
    assert watts(second) == pytest.approx(watts(alone["runs"][0]), rel=0.01)  # noise differs, the unit does not


def test_a_plan_that_stops_after_a_trip(tmp_path: Path) -> None:
    code, results, bench = night(tmp_path, "stop", ("mv_0131", HOT_C), ("mv_0137", 85.0))
    assert code == 1
    assert [run["unit"]["serial"] for run in results["runs"]] == ["MV-0131"]
    assert is_safe(bench)


def test_a_plan_that_tries_once_more(tmp_path: Path) -> None:
    """The same limit again: two trips are told, then the unit is left."""
    code, results, bench = night(tmp_path, "cool and retry once", ("mv_0131", HOT_C), ("mv_0137", 85.0))
    assert code == 1
    first, second = results["runs"]
    assert len(first["trips"]) == 2
    assert (first["outcome"], second["outcome"]) == ("tripped", "finished")
    assert is_safe(bench)
