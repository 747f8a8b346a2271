"""Ohms from an input's shell to the supply's minus, over real sockets: read by the bench's meter where it can, a person
only moves its leads; typed where it can't. The truth is what the simulated unit has between shell and minus."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer import compose
from sequencer.compose import DryRun, Scripted, dry_run
from sequencer.measurements.requests import Answer, Ask
from sequencer.whole_night import Done

PLAN = """format = 1
name = "shell"
rest = "quick"

[[stage]]
name = "terminals"
measurement = "terminal_scan"

[[stage]]
name = "ranges"
measurement = "range_transfer"
"""


def scanned(
    monkeypatch: pytest.MonkeyPatch, folder: Path, ohm: float, bench: str = "meter_workshop", refuse: str = "\0"
) -> tuple[Done, list[str]]:
    """And all that was said, each question with its answer too. refuse: a person says no to what has these words."""
    truth, plays = compose._unit_truth, Scripted.__call__
    asked: list[str] = []

    async def played(self: Scripted, ask: Ask) -> Answer:
        if refuse in ask.question:
            return Answer("no", by_a_person=True)
        answer = await plays(self, ask)
        asked.append(f"{ask.question} -> {answer.choice}")
        return answer

    def with_ground(*about: Any) -> Any:
        return replace(truth(*about), input_ground_ohm=ohm)

    monkeypatch.setattr(compose, "_unit_truth", with_ground)
    monkeypatch.setattr(Scripted, "__call__", played)
    text = PLAN if bench == "meter_workshop" else PLAN[: PLAN.index('\n[[stage]]\nname = "ranges"')]
    (folder / "plan.toml").write_text(text, encoding="utf-8")
    plan = str(folder / "plan.toml")
    return dry_run(DryRun(plan, ("mv_0131",), bench, folder / "night", answers=()), asked.append), asked


def shell_of(done: Done) -> dict[str, Any]:
    row = done.results["runs"][0]["points"][0]
    found: dict[str, Any] = next(one for one in row["values"] if one["name"].endswith("by ohmmeter"))
    return found | {"kept": row["wiring_found"]}


@pytest.mark.parametrize(
    ("ohm", "read", "words"), [(470.0, 470.0, "470 ohm"), (0.3, 0.3, "0.3 ohm"), (math.inf, 1e7, "10 Mohm")]
)
def test_the_meter_reads_them_and_its_ranges_are_compared_after_it(
    ohm: float, read: float, words: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """1e7 is the end of its range (page of meter-a), and stands for all above."""
    done, asked = scanned(monkeypatch, tmp_path, ohm)
    shell = shell_of(done)
    assert shell["value"] == pytest.approx(read)
    assert "by the bench's meter" in shell["reason"]
    assert shell["kept"]["shell_by_meter"] is True
    assert not [one for one in asked if "ohmmeter read" in one]
    assert [one.rsplit(" -> ", 1)[1] for one in asked if "eads " in one and " -> " in one] == ["done", "done"]
    assert f"{words} by the meter" in "\n".join(asked)
    ranges = done.results["runs"][0]["points"][1]
    assert ranges["outcome"] == "measured", ranges["reason"]


def test_leads_that_were_not_put_back_forbid_drive(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """On the shell it would read nothing of an output."""
    done, _ = scanned(monkeypatch, tmp_path, 470.0, refuse="leads back")
    assert shell_of(done)["value"] == pytest.approx(470.0)
    ranges = done.results["runs"][0]["points"][1]
    assert ranges["outcome"] == "not_measured"
    assert "leads were put back" in ranges["reason"]


def test_they_are_typed_where_no_meter_reads_ohms(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    done, asked = scanned(monkeypatch, tmp_path, 470.0, bench="ferry_workshop")
    assert [one.rsplit(" -> ", 1)[1] for one in asked if "ohmmeter read" in one and " -> " in one] == ["470"]
    assert shell_of(done)["reason"].endswith("by hand, the unit off")
    assert "shell_by_meter" not in shell_of(done)["kept"]
