"""A night on benches of none but second and third fronts: other instruments must come to the same watts."""

from __future__ import annotations

import json
import math
import re
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from drivers.dialect import load_dialect
from sequencer.cli import main

UNCERTAINTY = "power_at_limit_expanded_uncertainty_w"


def bench_of(letter: str, folder: Path, shipped: str = "workshop", instruments: int = 5) -> Path:
    """The shipped bench with another instrument in every role, where one ships; nobody's serial is asked for. Rates and
    ranges are the digitiser's own, the ranges worth what the shipped file says of the first one's."""
    text = (resources.files("sequences") / "benches" / f"{shipped}.toml").read_text(encoding="utf-8")
    text = re.sub(r"^identity = .*$", 'identity = ""', text, flags=re.MULTILINE)
    roles = "generator|digitiser|supply|load-switch|thermometer|meter"
    text, count = re.subn(rf'"({roles})-[ab]"', rf'"\1-{letter}"', text)
    assert count == instruments
    facts = load_dialect(f"digitiser-{letter}", "digitiser").facts
    rates = [rate for rate in facts.rates_hz or () if rate <= 1e6]
    text, count = re.subn(r"^rates_hz = .*$", f"rates_hz = {rates}", text, flags=re.MULTILINE)
    assert count == 1
    worth = re.findall(r"\[\[range\]\]\nfull_scale_v = .*\n(gain_uncertainty_pct = .*)\n", text)[0]
    text = re.sub(r"\[\[range\]\]\n(?:.+\n)+\n", "", text)
    reach = [volts for volts in facts.ranges_v or () if 0.05 < volts <= 26.0]
    ranges = "".join(f"[[range]]\nfull_scale_v = {volts}\n{worth}\n\n" for volts in reach)
    path = folder / f"{shipped}_{letter}.toml"
    path.write_text(text.replace("[digitiser]\n", f"{ranges}[digitiser]\n"), encoding="utf-8")
    return path


def watts(bench: str, folder: Path, plan: str = "first") -> list[dict[str, Any]]:
    """Channels of the points of a shipped plan."""
    assert main(["dry-run", plan, "--bench", bench, "--unit", "ferry_pa_60:MV-0117", "--out", str(folder)]) == 0
    (run,) = json.loads((folder / "results.json").read_text(encoding="utf-8"))["runs"]
    return [one for point in run["points"] for one in point.get("channels") or ()]


def en(one: dict[str, Any], other: dict[str, Any]) -> float:
    """Of two readings of one quantity: at most 1 where the difference stays below the root of the sum of the squares of
    their expanded uncertainties (E_n of ISO 13528, from memory)."""
    apart_w = abs(one["power_at_limit_w"] - other["power_at_limit_w"])
    return apart_w / math.hypot(one[UNCERTAINTY], other[UNCERTAINTY])


def test_the_same_unit_gives_the_same_watts(tmp_path: Path) -> None:
    reference = watts("workshop", tmp_path / "reference")
    for letter in ("b", "c"):
        others = watts(str(bench_of(letter, tmp_path)), tmp_path / letter)
        assert max(en(one, other) for one, other in zip(reference, others, strict=True)) <= 1.0, letter


def test_ranges_compared_with_a_meter_bring_all_fronts_to_its_watts(tmp_path: Path) -> None:
    """The meter's bench has a digitiser up to 2 % off, by range, one way and the other: alone two fronts may differ by
    5 % on ranges that lie apart. Once these are compared with the meter, only what the bench shares is left: half a
    percent of power at most, and the meter's accuracy (0.12 % of volts at best) in the budget in place of 2 %."""
    reference = watts("meter_workshop", tmp_path / "reference", "compared")
    assert all(one[UNCERTAINTY] < 0.015 * one["power_at_limit_w"] for one in reference)
    for letter in ("b", "c"):
        bench = str(bench_of(letter, tmp_path, "meter_workshop", 6))
        others = watts(bench, tmp_path / letter, "compared")
        for one, other in zip(reference, others, strict=True):
            assert other[UNCERTAINTY] < 0.015 * other["power_at_limit_w"]
            assert en(one, other) <= 1.0
            assert other["power_at_limit_w"] == pytest.approx(one["power_at_limit_w"], rel=0.02)
            assert other["power_w"] == pytest.approx(one["power_w"], rel=0.005)
