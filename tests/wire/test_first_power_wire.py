"""`first_power` over real sockets: the night leaves the unit off until this switches it on; faults are named once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from simulators.world.unit_truth import FeedTruth
from tests.wire.checks_on_wire import (
    Checked,
    bench_in_truth,
    checked_on_wire,
    checks_bench,
    plan_of_checks,
    unit_in_truth,
    unit_on_paper,
)

FIRST = plan_of_checks("first_power")
FIRST_AND_MORE = plan_of_checks("first_power", "bench_check", "gain")


def outcomes(found: Checked) -> list[str]:
    return [row["outcome"] for row, _ in found.night.values]


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("letter", ["a", "b"])
def test_a_sound_unit_raises_nothing_and_is_measured_further(letter: str, seed: int) -> None:
    """Planted: 12 mA in standby, 1.1 A at rest, a mute of 0.9 s, a lead of 12.4 mohm; each within what is stated."""
    found = checked_on_wire(FIRST_AND_MORE, unit_in_truth(mute_s=0.9), declared=checks_bench(letter, letter), seed=seed)
    assert found.kinds == []
    assert outcomes(found) == ["measured"] * 3
    assert found.number("first_power", "standby current") == pytest.approx(0.012, abs=0.004)
    assert found.number("first_power", "idle within 3 s") == pytest.approx(1.1, abs=0.006)
    for name, truth, beside in (("mute time", 0.9, 0.02), ("lead of the supply", 0.0124, 0.0005)):
        (value,) = [v for v in found.values("first_power").values if v.name == name]
        assert value.value is not None
        assert value.expanded_uncertainty is not None
        assert value.value == pytest.approx(truth, abs=value.expanded_uncertainty + beside)


@pytest.mark.parametrize("mute_s", [1.7, 2.6])
def test_mute_time(mute_s: float) -> None:
    found = checked_on_wire(FIRST, unit_in_truth(mute_s=mute_s))
    (value,) = [v for v in found.values("first_power").values if v.name == "mute time"]
    assert value.expanded_uncertainty is not None
    assert value.value == pytest.approx(mute_s, abs=value.expanded_uncertainty + 0.02)


def test_a_thump_is_seen_in_its_record() -> None:
    """1.5 V falling with 50 ms. Where it comes between two records, it says so and gives the tail."""
    seen = []
    for mute_s in (0.5, 0.65, 0.8, 0.95, 1.1):
        thump = {"thump_v": 1.5, "thump_tau_s": 0.05}
        found = checked_on_wire(FIRST, unit_in_truth(thump, thump, mute_s=mute_s))
        (value,) = [v for v in found.values("first_power").values if (v.name, v.channel) == ("thump", "A")]
        assert value.value is not None
        if "between two records" not in (value.reason or ""):
            assert value.value == pytest.approx(1.5, abs=(value.expanded_uncertainty or 0.0) + 0.03)
            seen.append(value.value)
        else:
            assert value.value < 1.55
    assert seen


TRUE_FEED: list[tuple[dict[str, Any], str, list[str]]] = [
    ({"standby_a": 9.0}, "do not power", ["measured", "not_measured", "not_measured"]),
    ({"idle_a": 12.0}, "do not power", ["measured", "not_measured", "not_measured"]),
    ({"standby_a": 0.3}, "standby current", ["measured"] * 3),
    ({"idle_a": 3.3}, "no drive", ["measured", "not_measured", "not_measured"]),
    ({"mute_s": 5.2}, "mute time", ["measured"] * 3),
]


@pytest.mark.parametrize(("feed", "kind", "expected"), TRUE_FEED)
def test_what_is_planted_is_named_once(feed: dict[str, Any], kind: str, expected: list[str]) -> None:
    """A short at its supply input, one behind its converter, a converter that runs in standby, a bias far too high, a
    mute that outlasts the file: what follows is left out where it must be, and the night ends by itself."""
    found = checked_on_wire(FIRST_AND_MORE, unit_in_truth(**feed))
    assert [k for k, _ in found.kinds] == [kind]
    assert outcomes(found) == expected
    assert found.night.safe[-1].confirmed
    if kind == "do not power":
        assert max(found.night.commanded_vrms, default=0.0) <= 0.05 / 10 ** (26.0 / 20.0) * 1.05


def test_an_open_sense_lead_is_told_at_first_power_and_not_again() -> None:
    truth = bench_in_truth(supply={"sense": "open"})
    assert checked_on_wire(FIRST_AND_MORE, bench=truth).kinds == [("supply sense", None)]


def test_a_lead_of_too_many_ohms() -> None:
    """45 mohm lose 1.35 V at the unit's 30 A: more than 3 % of 24 V, and more than the file's 12 mohm."""
    assert checked_on_wire(FIRST, bench=bench_in_truth(supply={"lead_ohm": 0.045})).kinds == [("supply lead", None)]


def test_without_a_remote_contact() -> None:
    """The supply comes on at once, under the low limit; standby is not measured and says why."""
    found = checked_on_wire(FIRST, declared=checks_bench(remote_contact=None))
    (value,) = [v for v in found.values("first_power").values if v.name == "standby current"]
    assert (value.value, value.judgement) == (None, "not measured")
    assert found.kinds == []
    assert found.number("first_power", "idle within 3 s") == pytest.approx(1.1, abs=0.006)


def test_a_directly_fed_stage() -> None:
    """It starts at any volts and draws in proportion in truth nothing of the kind: only that its rail comes in parts,
    and that nothing is told of a sound one."""
    unit = unit_in_truth()
    unit = replace(unit, feed=FeedTruth(idle_a=1.1, start_v=2.0, mute_s=0.2))
    found = checked_on_wire(FIRST, unit, on_paper=unit_on_paper(front_end="linear"))
    assert found.kinds == []
    for volts in ("6", "12", "18", "24"):
        assert found.number("first_power", f"current at {volts} V") == pytest.approx(1.1, abs=0.01)


def test_a_mains_unit_is_left_alone() -> None:
    found = checked_on_wire(FIRST_AND_MORE, on_paper=unit_on_paper(front_end="mains"))
    assert outcomes(found) == ["not_measured"] * 3
    assert found.night.commanded_vrms == [] or max(found.night.commanded_vrms) <= 0.001
