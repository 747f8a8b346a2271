"""Whose signature a bay shows: the same unit another evening, a unit with one thing changed, another unit, a bay whose
leads moved. Truth: which unit each made-up run was of. Bounds: common practice, no source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.cli import main
from sequencer.compose import DryRun, dry_run
from sequencer.measurements.signature import bays_told, likeness, path_likeness, signature

FORE = {
    "gain A": 26.13,
    "gain B": 25.94,
    "idle": 1.12,
    "standby": 0.160,
    "out A": 0.012,
    "out B": 0.013,
    "lead": 0.0124,
}
AFT = {"gain A": 25.71, "gain B": 26.32, "idle": 0.84, "standby": 0.110, "out A": 0.014, "out B": 0.012, "lead": 0.0131}
NAMES = {
    "gain A": ("gain, wiring tone", "dB", "A"), "gain B": ("gain, wiring tone", "dB", "B"),
    "idle": ("idle within 3 s", "A", None), "standby": ("standby current", "A", None),
    "out A": ("output resistance", "ohm", "A"), "out B": ("output resistance", "ohm", "B"),
    "lead": ("lead of the supply", "ohm", None), "8R A": ("load 8R by volts and amps", "ohm", "A"),
}  # fmt: skip


def run(day: int, serial: str, figures: dict[str, float], bay: str = "1", **moved: float) -> dict[str, Any]:
    read = figures | {"8R A": 7.98} | {k.replace("_", " "): v for k, v in moved.items()}
    values = [
        {"name": NAMES[k][0], "unit": NAMES[k][1], "channel": NAMES[k][2], "value": v, "expanded_uncertainty": None}
        for k, v in read.items()
    ]
    rows = [{"measurement": "bench_check", "values": values}]
    begun = f"2026-01-{day:02d}T22:00:00.000+00:00"
    return {"unit": {"serial": serial}, "bay": bay, "bench": "workshop", "begun": begun, "points": rows}


def test_the_same_unit_another_evening_and_warmer() -> None:
    """0.1 dB, 10 % of idle current, 1 mohm: within what a unit moves by itself."""
    later = run(6, "MV-0117", FORE, gain_A=26.03, idle=1.22, out_A=0.013)
    (line,) = bays_told([run(5, "MV-0117", FORE), later])
    assert line == "workshop, bay 1: MV-0117 of 2026-01-06: looks like MV-0117 of 2026-01-05, bay 1 (6 figures)"


def test_one_thing_that_moved_is_a_change_and_is_told() -> None:
    (line,) = bays_told([run(5, "MV-0117", FORE), run(6, "MV-0117", FORE, gain_B=25.2)])
    assert "looks like MV-0117" in line
    assert "but gain B 25.2 dB, then 25.94" in line


def test_another_unit_under_its_serial_is_told_and_whose_it_is() -> None:
    """The aft unit stands in bay 2 under the fore one's serial."""
    before = [run(4, "MV-0118", AFT), run(5, "MV-0117", FORE, bay="2")]
    (first, second) = bays_told([*before, run(6, "MV-0117", AFT, bay="2")])
    assert first.endswith("not seen before")
    assert "not like MV-0117 of 2026-01-05, bay 2: gain A 25.71 dB, then 26.13" in second
    assert second.endswith("it looks like MV-0118 of 2026-01-04, bay 1: read the serial on the unit")


def test_a_new_serial_that_looks_like_an_old_one() -> None:
    (line,) = bays_told([run(5, "MV-0117", FORE), run(6, "MV-0199", FORE)])
    assert line.endswith("not seen before; it looks like MV-0117 of 2026-01-05, bay 1: read the serial on the unit")


def test_two_figures_know_nobody() -> None:
    few = {"gain A": 26.1, "idle": 1.1}
    (line,) = bays_told([run(5, "MV-0117", few), run(6, "MV-0117", few)])
    assert "2 figures of it were measured: too few to know a unit by" in line


def test_a_lead_and_a_load_that_moved_are_the_bay_s_and_not_the_unit_s() -> None:
    """31 mohm where 12.4 were; 8.2 ohm where 7.98 were, 2.8 %."""
    now, then = run(6, "MV-0117", FORE, lead=0.031), run(5, "MV-0117", FORE)
    now["points"][0]["values"][-1]["value"] = 8.2
    assert likeness(signature(now), signature(then)).moved == ()
    assert len(path_likeness(signature(now), signature(then)).moved) == 2
    told = bays_told([then, now])
    assert "lead of the supply 0.031 ohm, then 0.0124" in told[1]
    assert "load 8R A 8.2 ohm, then 7.98" in told[2]
    elsewhere = bays_told([run(5, "MV-0118", AFT, bay="2"), now])
    assert len(elsewhere) == 2, "the way to another bay was compared"


def test_the_rows_of_a_real_night_hold_a_signature(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two rehearsals of one unit, another seed: names in the rows are those looked for."""
    nights = [str(tmp_path / seed) for seed in "12"]
    for seed, out in enumerate(nights):
        asked = DryRun(
            plan="first_wiring", units=("ferry_pa_60",), bench="workshop", out=Path(out), seed=seed, answers=()
        )
        done = dry_run(asked, lambda line: None)
        assert done.exit_code == 0
        scan = done.results["runs"][0]["points"][1]
        assert scan["wiring_found"]["as_declared"], "a willing person who is played moves the probe rightly"
    assert main(["bench", "bays", *nights]) == 0
    said = capsys.readouterr().out
    assert said.startswith("workshop, bay 1: MV-0117 of 2026-01-05: ")
    assert "too few" not in said
