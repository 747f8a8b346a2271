"""The plan `demo` over real sockets in simulated time: repeatable to the byte, and not by accident."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, dry_run

pytestmark = pytest.mark.long


def run(out: Path, **asked: Any) -> dict[str, Any]:
    done = dry_run(DryRun(**({"plan": "demo", "out": out} | asked)), say=lambda line: None)
    assert done.exit_code == 0, done.text
    found: dict[str, Any] = json.loads((out / "results.json").read_text())
    return found


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, Any]]:
    out = tmp_path_factory.mktemp("demo") / "first"
    return out, run(out)


def test_demo_measures_every_point(demo: tuple[Path, dict[str, Any]]) -> None:
    """2 units x 2 loads x bursts of 20, 8 and 1 cycles, in running order."""
    _, results = demo
    assert len(results["runs"]) == 2
    for one in results["runs"]:
        assert [(p["load"], p["cycles"]) for p in one["points"]] == [
            (load, cycles) for load in ("8R", "4R") for cycles in (1, 8, 20)
        ]
        assert {p["outcome"] for p in one["points"]} == {"measured"}
        assert one["outcome"] == "finished"


def test_same_seed_same_bytes(demo: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    """Stamps included: everything that is kept but the SQLite file itself, whose pages may differ."""
    out, _ = demo
    run(tmp_path / "again")
    for path in sorted(out.rglob("*")):
        if path.is_file() and path.suffix in (".json", ".jsonl", ".npz"):
            assert path.read_bytes() == (tmp_path / "again" / path.relative_to(out)).read_bytes(), path.name


def test_another_seed_differs(demo: tuple[Path, dict[str, Any]], tmp_path: Path) -> None:
    _, results = demo
    other = run(tmp_path / "other", seed=2)
    ours, theirs = (r["runs"][0]["points"][0]["channels"][0]["power_w"] for r in (results, other))
    assert ours != theirs
    assert ours == pytest.approx(theirs, rel=0.02)  # the same unit: only noise and phase differ


def test_traces_read_by_plain_numpy_give_the_row(demo: tuple[Path, dict[str, Any]]) -> None:
    """The README's one line, and the row's watts from it: V^2/R over the last cycle by plain arithmetic."""
    import numpy as np

    out, results = demo
    row = next(p for p in results["runs"][0]["points"] if p["cycles"] == 20)
    name = next(t for t in row["traces"] if "accepted" in t)
    trace = np.load(out / name)
    volts = trace["ch1_volts_at_zero"] + trace["ch1_codes"] * trace["ch1_volts_per_code"]
    times = trace["ch1_start_s"] + trace["ch1_sample_interval_s"] * np.arange(volts.size)
    last = volts[(times >= 0.019) & (times < 0.020)]
    channel = row["channels"][0]
    assert last.std() ** 2 / channel["load_ohm"] == pytest.approx(channel["power_w"], rel=0.003)


@pytest.mark.parametrize("first", [0, 10, 20])
def test_order_of_equal_times_does_not_matter(first: int, tmp_path: Path) -> None:
    """30 seeds of tie order: each watt the same within its shot noise, each end the same."""
    plan = Path(__file__).parents[2] / "sequences" / "plans" / "first.toml"
    rows = []
    for seed in range(first, first + 10):
        found = run(tmp_path / str(seed), plan=str(plan), units=("ferry_pa_60",), ties_seed=seed)
        (row,) = found["runs"][0]["points"]
        rows.append(row)
    assert {r["stopped_by"] for r in rows} == {"thd"}
    watts = [r["channels"][0]["power_w"] for r in rows]
    assert max(watts) / min(watts) - 1 < 0.005
