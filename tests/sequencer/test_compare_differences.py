"""Differences of two runs: what both share leaves them, and their uncertainty holds the true difference."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from sequencer.analysis.uncertainty import Source
from sequencer.comparing.differences import SUM_ONLY, against_model, pair
from sequencer.comparing.figures import figures, from_text, measured, to_text
from tests.sequencer.compare_runs import MARKS, OWN, REPEATS, SHARED, one_run, power_row
from tests.sequencer.ledger_rows import point, refused_point

TRIALS = 2000
OTHER = {name: f"another {mark}" for name, mark in MARKS.items()}


def drawn(source: Source, chance: np.random.Generator) -> float:
    """A true error of that source, relative."""
    size = source.size_pct / 100.0
    return float(chance.normal(0.0, size) if source.kind == "normal" else chance.uniform(-size, size))


def shown_w(true_w: float, errors: dict[str, float]) -> float:
    """What a bench with these errors shows of a true power: P = V^2 / R, written out here."""
    volts = (1.0 + errors["range:ch1:50"]) * (1.0 + errors["probe:ch1"])
    ohms = (1.0 + errors["load:4R:A"]) * (1.0 + errors["heat"]) * (1.0 + errors["contact"])
    return true_w * volts**2 / ohms * (1.0 + errors["repeatability"])


def run_of(watts: float, marks: dict[str, str], run_id: str, sha: str) -> Any:
    row = point(channels=[power_row(watts)], channels_driven=["A"])
    return measured(one_run(points=[row], marks=marks, run_id=run_id, bench_sha256=sha))


def coverage(
    true_w: tuple[float, float], second_marks: dict[str, str], *, same_bench: bool
) -> tuple[float, float, float]:
    """Share of trials whose difference lies within its uncertainty of the true one; mean of that uncertainty; mean of
    the single readings'."""
    chance, held, width, single = np.random.default_rng(2026), 0, 0.0, 0.0
    for _ in range(TRIALS):
        kept = {source.id: drawn(source, chance) for source in SHARED}
        readings = []
        for watts in true_w:
            if not same_bench:
                kept = {source.id: drawn(source, chance) for source in SHARED}
            errors = kept | {source.id: drawn(source, chance) for source in (*OWN, REPEATS)}
            readings.append(shown_w(watts, errors))
        two = pair(run_of(readings[0], MARKS, "r1", "a"), run_of(readings[1], second_marks, "r2", "b"))
        (found,) = two.differences
        assert found.expanded is not None
        assert found.second.expanded is not None
        held += abs(found.value - (true_w[1] - true_w[0])) <= found.expanded
        width, single = width + found.expanded, single + found.second.expanded
    return held / TRIALS, width / TRIALS, single / TRIALS


def test_on_one_bench_with_one_load_the_difference_is_better_known_than_the_readings() -> None:
    """By simulation, 2,000 benches with errors drawn from the declared shapes: range, probe and load stay the same in
    both runs. Coverage within 95 +- 1.5 % (three times sqrt(0.95 * 0.05 / 2000)), U below a half of the reading's."""
    share, width, single = coverage((100.0, 100.0), MARKS, same_bench=True)
    assert 0.935 < share < 0.965
    assert width < 0.5 * single


def test_a_repair_that_changed_the_power_is_covered_too() -> None:
    """What is shared is a factor: of 130 W it is more watts than of 100 W, and that rest stays in the uncertainty."""
    share, width, _ = coverage((100.0, 130.0), MARKS, same_bench=True)
    assert 0.935 < share < 0.965
    assert width > 0.0


def test_two_benches_share_nothing() -> None:
    share, width, single = coverage((100.0, 100.0), OTHER, same_bench=False)
    assert 0.935 < share < 0.965
    assert width > 1.2 * single


def test_taking_shared_sources_twice_would_be_seen() -> None:
    """The mutant: one bench, but marks that say two. Then hardly a difference ever passes its uncertainty."""
    share, _, _ = coverage((100.0, 100.0), OTHER, same_bench=True)
    assert share > 0.995


def test_taking_two_benches_for_one_would_be_seen() -> None:
    share, _, _ = coverage((100.0, 100.0), MARKS, same_bench=False)
    assert share < 0.75


def two(first: dict[str, Any], second: dict[str, Any]) -> Any:
    return pair(measured(first), measured(second))


def test_one_thing_that_became_another_counts_twice_and_the_rest_leaves() -> None:
    """The digitiser was calibrated anew between the runs: its range no longer cancels, probe and load do."""
    anew = MARKS | {"range:ch1:50": "digitiser DS-1, calibrated 2027-01-02, 50 V"}
    found = two(one_run(bench_sha256="a"), one_run(marks=anew, run_id="r2", bench_sha256="b"))
    assert found.shared == ("load:4R:A", "probe:ch1")
    same = two(one_run(bench_sha256="a"), one_run(run_id="r2", bench_sha256="b"))
    assert same.shared == ("load:4R:A", "probe:ch1", "range:ch1:50")
    assert found.differences[0].expanded > same.differences[0].expanded


def test_a_digitiser_that_moved_to_another_bench_takes_its_error_along() -> None:
    there = {"range:ch1:50": MARKS["range:ch1:50"], "probe:ch1": "bench quay, input ch1", "load:4R:A": "bench quay"}
    found = two(one_run(), one_run(marks=there, run_id="r2", bench="quay", bench_sha256="other"))
    assert found.shared == ("range:ch1:50",)


def test_results_without_marks_share_where_the_bench_file_was_the_very_same() -> None:
    same = two(one_run(marks={}), one_run(marks={}, run_id="r2"))
    assert len(same.shared) == 3
    other = two(one_run(marks={}), one_run(marks={}, run_id="r2", bench_sha256="changed"))
    assert other.shared == ()


def test_what_a_range_showed_against_the_meter_is_of_its_run_alone() -> None:
    """Scatter of a transfer is measured in each run; the meter behind it is one thing."""
    sources = (Source.voltage("transfer:ch1:50", "normal", 0.05, 4), Source.voltage("meter", "rectangular", 0.2))
    rows = [point(channels=[power_row(100.0, sources)], channels_driven=["A"])]
    marks = {"meter": "meter M-1, calibrated 2026-01-02", "transfer:ch1:50": "even if somebody wrote one"}
    found = two(one_run(points=rows, marks=marks), one_run(points=rows, marks=marks, run_id="r2"))
    assert found.shared == ("meter",)


def test_means() -> None:
    """100 W and 101 W on one bench: each +- 2.4 W, and still surely apart; 100.1 W is not."""
    near, apart = two(one_run(100.0), one_run(100.1, run_id="r2")), two(one_run(100.0), one_run(103.0, run_id="r2"))
    assert near.differences[0].means == "no difference seen"
    (found,) = apart.differences
    assert found.means == "differs"
    assert found.second.expanded > 2.0
    assert found.expanded < 2.0
    assert found.pct == pytest.approx(3.0)
    assert apart.differing == (found,)


def value(name: str, reading: float, expanded: float | None, unit: str = "A") -> dict[str, Any]:
    return {"name": name, "value": reading, "unit": unit, "expanded_uncertainty": expanded}


def with_values(*values: dict[str, Any], run_id: str = "r1") -> dict[str, Any]:
    row = refused_point(outcome="measured", measurement="idle_current", values=list(values), reason=None)
    return one_run(points=[row], run_id=run_id)


def test_values_whose_budget_is_not_kept_are_held_apart_on_the_safe_side() -> None:
    """Root of the sum of squares of both (3, 4 -> 5): nothing cancels, and the note says so."""
    found = two(
        with_values(value("idle current", 1.0, 0.03)), with_values(value("idle current", 1.049, 0.04), run_id="r2")
    )
    (one,) = found.differences
    assert (one.expanded, one.means, one.note) == (pytest.approx(0.05), "no difference seen", SUM_ONLY)


def test_without_an_uncertainty_nothing_is_said() -> None:
    found = two(with_values(value("hum", 1.0, None)), with_values(value("hum", 9.0, 0.1), run_id="r2"))
    (one,) = found.differences
    assert (one.expanded, one.means) == (None, "not known")
    assert found.known == 0


def test_no_percentage_of_decibels_and_of_signs_that_differ() -> None:
    def pct(unit: str, a: float, b: float) -> float | None:
        found: float | None = (
            two(with_values(value("x", a, 0.1, unit)), with_values(value("x", b, 0.1, unit), run_id="r2"))
            .differences[0]
            .pct
        )
        return found

    assert pct("dB", 26.0, 25.0) is None
    assert pct("V", -0.01, 0.01) is None
    assert pct("degC", 40.0, 50.0) is None
    assert pct("V", 2.0, 3.0) == pytest.approx(50.0)


def test_a_ramp_that_ended_before_its_limit_says_at_least() -> None:
    early = point(channels=[power_row(60.0)], channels_driven=["A"], stopped_by="protection", judged_by="thd")
    found = two(one_run(points=[early]), one_run(100.0, run_id="r2"))
    (one,) = found.differences
    assert "first ramp ended before its limit" in one.note
    assert one.means == "differs"


def test_figures_are_known_by_their_conditions_not_by_their_points() -> None:
    """A plan that put another point before it changes nothing; another limit is another figure."""
    rows = one_run()["points"]
    moved = one_run(run_id="r2", points=[refused_point("p001"), dict(rows[0]) | {"id": "p009"}])
    assert [one.value for one in two(one_run(), moved).differences] == [0.0]
    other = two(one_run(), one_run(run_id="r2", points=[dict(rows[0]) | {"stop_limit": 10.0}]))
    assert other.differences == ()
    assert len(other.left_out) == 2


def test_a_figure_that_stands_twice_is_numbered() -> None:
    row = one_run()["points"][0]
    found = figures(one_run(points=[row, dict(row) | {"id": "p2"}]))
    assert [one.key.rpartition(", ")[2] for one in found] == [found[0].key, "time 2"]


def test_the_index_keeps_figures_whole() -> None:
    found = measured(one_run()).figures
    assert from_text(to_text(found)) == found
    assert found[0].parts


def test_results_of_before_give_nearly_the_same_budget() -> None:
    """Without the kept shapes and bracket: usual shapes, and the bracket from what the sum leaves for it, too large by
    what the two coverage factors differ."""
    row = one_run()
    (now,) = measured(row).figures
    old = row["points"][0]["channels"][0]
    for key in ("uncertainty_kinds", "uncertainty_freedom", "power_at_limit_bracket_w"):
        old.pop(key)
    (then,) = measured(row).figures
    assert {part.id for part in then.parts} == {part.id for part in now.parts}
    known, kept = ({part.id: part.u for part in one.parts} for one in (now, then))
    assert known["bracket"] < kept.pop("bracket") < 1.25 * known.pop("bracket")
    assert kept == pytest.approx(known, rel=1e-9)


@pytest.mark.parametrize(
    ("more", "healthy"),
    [
        ({}, True),
        ({"outcome": "tripped"}, False),
        ({"findings": [{"kind": "weak rail", "sentence": "s"}]}, False),
        ({"findings": [{"kind": "clock", "sentence": "s"}]}, True),  # the bench's own
        ({"trips": [{"time": "t", "sentence": "s"}]}, False),
    ],
)
def test_who_is_healthy(more: dict[str, Any], healthy: bool) -> None:
    assert measured(one_run(120.0, **more)).healthy is healthy
    assert not measured(one_run(120.0, **more), suspect="in doubt").healthy
    assert not measured(one_run(80.0)).healthy  # rated 100 W


def test_a_unit_against_its_model() -> None:
    """Nine healthy units about 120 W, one of 90 W: unlike, 0.6745 * 30 / 2 = 10.1 by hand; and one like them."""
    others = [measured(one_run(116.0 + i, serial=f"MV-{i}", run_id=f"r{i}")) for i in range(9)]
    (weak,) = against_model(measured(one_run(90.0, serial="MV-99", run_id="r99")), others)
    assert (weak.among.count, weak.among.median, weak.among.mad) == (9, 120.0, 2.0)
    assert weak.z == pytest.approx(-0.67449 * 30.0 / 2.0, rel=1e-4)
    assert weak.unlike
    assert weak.apart.first.value == 120.0  # held against the unit in the middle: what both share leaves
    assert weak.apart.shared
    (like,) = against_model(measured(one_run(122.0, serial="MV-98", run_id="r98")), others)
    assert not like.unlike
    (few,) = against_model(measured(one_run(90.0, serial="MV-97", run_id="r97")), others[:3])
    assert (few.z, few.unlike) == (None, False)
    assert against_model(measured(one_run()), []) == ()
