"""Ranges compared with the meter over the wire, on the shipped bench whose digitiser is up to 2 % off: what is found,
what the powers after it are worth, and what is not believed. Truths: simulators/world/truth/bench-meter.toml, and the
volts that the simulated world itself has at the outputs.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.compose import DryRun, Rig, dry_run
from sequencer.ledger.traces import read_trace
from sequencer.reanalyse import reanalyse
from sequencer.report.pages import read_night, write_pages
from simulators.bench import SimulatedBench
from simulators.panels.meter_a import MeterA
from simulators.world.truth_files import SHIPPED, load_bench_truth
from tests.sequencer.report_html import read

PLAN = """\
format = 1
name = "few"
rest = "quick"
[[stage]]
name = "before"
measurement = "output_power"
loads = ["8R"]
[[stage]]
name = "ranges"
measurement = "range_transfer"
[[stage]]
name = "after"
measurement = "output_power"
loads = ["8R"]
"""
ERROR = load_bench_truth(SHIPPED / "bench-meter.toml")
OHM = {"A": 8.011, "B": 7.968}  # of the truth's 8R


class Watched:
    """A night, the bench it ran on, and its pages."""

    def __init__(self, folder: Path, change: Callable[[SimulatedBench], None] = lambda _: None) -> None:
        (folder / "few.toml").write_text(PLAN)
        self.benches: list[SimulatedBench] = []
        self.folder = folder / "night"

        def watch(bench: SimulatedBench) -> None:
            self.benches.append(bench)
            change(bench)

        plan = str(folder / "few.toml")
        asked = DryRun(plan, ("mv_0131",), "meter_workshop", self.folder, rig=Rig(watch=watch), keep_shots=True)
        dry_run(asked, lambda _: None)
        self.run: dict[str, Any] = read_night(self.folder)["runs"][0]
        self.before, self.ranges, self.after = self.run["points"]

    def true_w(self, row: dict[str, Any], channel: str) -> float:
        """V^2/R of the accepted burst's last cycle, by the world."""
        name = next(one for one in row["traces"] if "+accepted" in one)
        shot = read_trace(self.folder / name)
        end_s = shot.request.cycles / shot.request.frequency_hz
        t_s = np.linspace(end_s - 1.0 / shot.request.frequency_hz, end_s, 4000, endpoint=False)
        wire = f"output {channel}"
        at_ns = max(at for at in self.benches[0].world.triggers if at <= shot.fired_at_ns + 50_000_000)
        volts = self.benches[0].world.wires([wire], at_ns, t_s)[wire][0]
        return float(np.mean((volts - volts.mean()) ** 2)) / OHM[channel]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    return Watched(tmp_path_factory.mktemp("meter"))


def true_error_pct(wire: int, full_scale_v: float) -> float:
    """Of range (four divisions from the middle) and probe together."""
    truth = ERROR.digitiser.input(wire)
    return 100.0 * ((1.0 + truth.probe_gain_error) * (1.0 + truth.range_gain_errors[full_scale_v / 4.0]) - 1.0)


@pytest.mark.parametrize("full_scale_v", [2.0, 4.0, 8.0])
@pytest.mark.parametrize(("channel", "wire"), [("A", 1), ("B", 2)])
def test_a_range_that_is_off_is_found_within_the_meters_uncertainty(
    night: Watched, channel: str, wire: int, full_scale_v: float
) -> None:
    """Planted are up to 2 % on the range; the meter's file allows it about 0.15 %."""
    name = f"gain of ch{wire} on its {full_scale_v:g} V range"
    found = next(v for v in night.ranges["values"] if (v["name"], v["channel"]) == (name, channel))
    assert found["value"] == pytest.approx(true_error_pct(wire, full_scale_v), abs=found["expanded_uncertainty"])
    assert found["expanded_uncertainty"] < 0.3


@pytest.mark.parametrize("channel", ["A", "B"])
def test_a_power_after_it_is_right_and_known_better(night: Watched, channel: str) -> None:
    """Both hold the truth; the one before, by the digitiser's 2 %, only by its width."""
    before, after = (next(c for c in row["channels"] if c["channel"] == channel) for row in (night.before, night.after))
    true_w = night.true_w(night.after, channel)
    assert after["power_w"] == pytest.approx(true_w, abs=after["power_expanded_uncertainty_w"])
    assert after["power_expanded_uncertainty_w"] < before["power_expanded_uncertainty_w"] / 3.0
    assert before["power_w"] == pytest.approx(
        night.true_w(night.before, channel), abs=before["power_expanded_uncertainty_w"]
    )
    assert abs(before["power_w"] / night.true_w(night.before, channel) - 1.0) > 0.02  # what was planted, squared


def test_its_budget_holds_the_meter_in_place_of_range_and_probe(night: Watched) -> None:
    before, after = (
        {source.partition(":")[0] for source in row["channels"][0]["uncertainty_parts_w"]}
        for row in (night.before, night.after)
    )
    assert {"range", "probe"} <= before
    assert before - after == {"range", "probe"}
    assert after - before == {"meter", "transfer"}


def test_the_sheet_says_what_the_volts_rest_on(night: Watched) -> None:
    text = read(write_pages(night.folder).read_text()).text
    assert "Compared with the meter on 2026-01-05" in text
    assert "the meter's own accuracy" in text
    assert "gain of ch1 on its 8 V range, by the digitiser's own figure" in text  # of the point before


def test_it_comes_out_alike_from_what_was_kept(night: Watched) -> None:
    """The powers after it hang on its row: led through again, to the last bit."""
    (found,) = reanalyse(night.folder, read_night(night.folder)).values()
    assert [one.changed for one in found] == [(), (), ()]
    assert [one.reason for one in found] == [None, None, None]


def test_without_a_load_nothing_is_heated(night: Watched) -> None:
    """Its tones stand for 1.5 s each: into 8 ohm they would be hundreds of joules."""
    assert night.ranges["energy_load_j"] < 0.1


def test_a_range_further_off_than_declared_is_told_and_left(tmp_path: Path) -> None:
    """Meter 5 % high on its 10 V range: nobody knows which of the two is wrong, so nothing is put right by it."""

    def off(bench: SimulatedBench) -> None:
        errors = bench.world.bench.meter
        object.__setattr__(errors, "range_errors", {10.0: 0.05, 100.0: 0.05})

    night = Watched(tmp_path, off)
    assert isinstance(night.benches[0].panels["meter"], MeterA)
    kinds = [(one["kind"], one["channel"]) for one in night.run["findings"]]
    assert ("digitiser range", "A") in kinds
    unused = [one for one in night.ranges["ranges"] if not one["used"]]
    assert unused
    assert {(one["input"], one["full_scale_v"]) for one in unused} >= {("ch1", 2.0)}
    assert any(source.startswith("range:") for source in night.after["channels"][1]["uncertainty_parts_w"])
