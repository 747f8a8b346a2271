"""What the bench is said to be doing: told where it changes, and in the closed list of words.

The words of each measurement are our own; that a message is kept for a change and for nothing else is seen in the
messages of two rehearsed nights.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

from sequencer.cli import main
from sequencer.measurements.registry import VALUE_MEASUREMENTS
from sequencer.night.bench_state import OF_MEASUREMENTS, OF_WAITS
from sequencer.plan.models_base import MeasurementName
from sequencer.publish.messages import BenchState

PLAN = """
format = 1
name = "states"
rest = "quick"

[[stage]]
name = "offsets"
measurement = "output_offset"
loads = ["8R"]

[[stage]]
name = "gains"
measurement = "gain"
loads = ["8R"]

[[stage]]
name = "powers"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles", "8 cycles"]
"""


def test_words_are_of_the_closed_list() -> None:
    assert {*OF_MEASUREMENTS.values(), *OF_WAITS.values()} <= set(get_args(BenchState))
    assert set(OF_MEASUREMENTS) <= set(get_args(MeasurementName))
    assert VALUE_MEASUREMENTS.keys() <= set(get_args(MeasurementName))


def test_a_status_for_each_change_and_none_besides(tmp_path: Path) -> None:
    """Offset and gain are looked at with small signals; two bursts of one load are one ramping. Retained, so that who
    comes late knows; in the count, so that nobody misses one."""
    (tmp_path / "states.toml").write_text(PLAN)
    out = tmp_path / "out"
    assert main(["dry-run", str(tmp_path / "states.toml"), "--unit", "ferry_pa_60", "--out", str(out)]) == 0
    every = [json.loads(line) for line in (out / "messages.jsonl").read_text().splitlines()]
    told = [one["payload"] for one in every if one["topic"].endswith("/status")]
    assert [(one["state"], one["point"], one["unit_serial"]) for one in told] == [
        ("checking", "p001", "MV-0117"),
        ("ramping", "p003", "MV-0117"),
        ("made safe", None, None),
    ]
    assert all(one["retain"] for one in every if one["topic"].endswith("/status"))
    assert [one["payload"]["seq"] for one in every] == list(range(1, len(every) + 1))
