"""A bridged output read by its two legs, over real sockets.

The truth: Ohm's law over what the world itself says stands between the legs, and half ohms, half watts for each channel
of a bridged pair (textbook); an input's own errors are as the bench's truth plants them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.compose import DryRun, Rig, dry_run
from simulators.bench import SimulatedBench

SHIPPED = Path(__file__).resolve().parents[2] / "sequences"
PLAN = """format = 1
name = "bridged"
rest = "quick"
[[stage]]
name = "offset"
measurement = "output_offset"
loads = ["8R"]
[[stage]]
name = "gain"
measurement = "gain"
loads = ["8R"]
frequencies_hz = [100.0, 1000.0]
[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles"]
confirm = 1
"""
UNIT = """format = 1
serial = "MV-0190"
model = "Skerry 120 public-address amplifier, bridged"
front_end = "converter"
output_class = "AB"
gain_db = 32.0
output_rail_v = 40.0
supply_v = { min = 21.6, nominal = 24.0, max = 31.2 }
minimum_load_ohm = 8.0
bridged = true
[[channel]]
name = "A"
live_terminal = "both"
"""


def bridged(folder: Path, *pairs: tuple[str, str]) -> tuple[list[dict[str, Any]], SimulatedBench]:
    bench = (SHIPPED / "benches" / "workshop.toml").read_text()
    legs = (('ch1 = "output A"', 'ch1 = "leg A plus"'), ('ch2 = "output B"', 'ch2 = "leg A minus"'))
    for old, new in (*legs, *pairs):
        assert old in bench
        bench = bench.replace(old, new)
    for name, text in (("plan", PLAN), ("unit", UNIT), ("bench", bench)):
        (folder / f"{name}.toml").write_text(text)
    seen: list[SimulatedBench] = []
    files = [str(folder / f"{name}.toml") for name in ("plan", "unit", "bench")]
    asked = DryRun(files[0], (files[1],), files[2], folder / "night", rig=Rig(watch=seen.append))
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == 0, done.text
    return done.results["runs"][0]["points"], seen[0]


def test_the_difference_of_the_legs_is_the_output(tmp_path: Path) -> None:
    (offset, gain, power), bench = bridged(tmp_path)
    assert [p["outcome"] for p in (offset, gain, power)] == ["measured"] * 3
    truth = bench.world.layout.bays[0].unit
    assert truth is not None
    (true,) = truth.channels
    told = next(v["value"] for v in gain["values"] if v["name"] == "gain at 1 kHz")
    assert told == pytest.approx(true.gain_db, abs=0.15), "probe 0.5 % and range 1 % are 0.13 dB"
    (row,) = power["channels"]
    assert row["bridged"] is True
    ohm = bench.spec.loads["8R"]["A"][1]
    assert row["power_w"] == pytest.approx(row["output_vrms"] ** 2 / ohm, rel=0.01)
    assert row["output_vrms"] == pytest.approx(power["level_vrms"] * 10 ** (true.gain_db / 20.0), rel=0.04)
    assert row["channel_equivalent_ohm"] == pytest.approx(row["load_ohm"] / 2.0)
    assert row["channel_equivalent_power_w"] == pytest.approx(row["power_w"] / 2.0)
    assert abs(next(v["value"] for v in offset["values"])) < 0.4, "legs at 12 V each, and 1.5 % of that, twice"
