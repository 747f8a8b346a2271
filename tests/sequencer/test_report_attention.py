"""What comes first in the morning, and judgements against ratings. Order and words: this project's own rules."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from sequencer.report.attention import NEAR, Rank, by_attention, concerns, needing
from sequencer.report.judged import counted, judgements
from tests.sequencer.ledger_rows import refused_point
from tests.sequencer.report_nights import power_of, rating, run

TRIP = {"time": "2026-03-01T20:10:00+00:00", "sentence": "heat sink above its trip limit", "cause": "unit"}


@pytest.mark.parametrize(
    ("at_limit_w", "expanded_w", "judgement", "near"),
    [
        (103.0, 2.0, "within", False),
        (101.0, 2.0, "within", True),
        (99.0, 2.0, "outside", True),
        (97.0, 2.0, "outside", False),
        (100.0, 2.0, "within", True),
        (102.0, 2.0, "within", False),  # as far off as its uncertainty: no longer nearer than it
    ],
)
def test_a_power_is_held_against_its_rating(at_limit_w: float, expanded_w: float, judgement: str, near: bool) -> None:
    """By hand: at or above 100 W is within; nearer than U to 100 W is said."""
    (one,) = judgements(run(power_of(at_limit_w, expanded_w), ratings=[rating()]))
    assert (one.judgement, one.near) == (judgement, near)


@pytest.mark.parametrize(
    "other",
    [{"load_ohm": 8.0}, {"cycles": 0}, {"cycles": 8}, {"supply_v": 28.8}, {"thd_pct": 10.0}, {"channels_driven": 1}],
)
def test_a_rating_of_other_conditions_judges_nothing(other: dict[str, Any]) -> None:
    """A power means nothing without load, supply, distortion, channels driven (IEC 60268-3, from memory)."""
    assert judgements(run(power_of(90.0), ratings=[rating(**other)])) == ()
    assert concerns(run(power_of(90.0), ratings=[rating(**other)]))[0].rank == Rank.NOTHING


def test_a_ramp_that_ended_early_proves_only_at_least() -> None:
    """95 W accepted, no limit met: enough for a rating of 90 W, says nothing against one of 100 W."""
    early = power_of(None, accepted_w=95.0, stopped_by="generator_ceiling")
    assert [j.judgement for j in judgements(run(early, ratings=[rating(power_w=90.0)]))] == ["within"]
    (above,) = judgements(run(early, ratings=[rating(power_w=100.0)]))
    assert above.judgement == "not measured"
    assert "generator ceiling" in above.reason


def test_counts_are_words() -> None:
    told = judgements(
        run(
            power_of(103.0, id="p001"),
            power_of(90.0, id="p002"),
            refused_point("p003", cycles=20),
            ratings=[rating()],
        )
    )
    assert counted(told) == "1 of 3 within, 1 outside, 1 not measured"
    assert counted(()) == "nothing judged"
    absent = {"name": "on the crests, with 10 nF", "value": None, "unit": "Vrms", "judgement": "not measured"}
    nobody = {"id": "p001", "measurement": "stability", "outcome": "measured", "values": [absent] * 6}
    assert counted(judgements(run(nobody))) == "6 not measured"


def of_rank(rank: Rank, serial: str) -> dict[str, Any]:
    """A run whose most urgent concern is of that rank."""
    measured = power_of(110.0)
    made: dict[Rank, dict[str, Any]] = {
        Rank.NOT_SAFE: run(trips=[TRIP | {"confirmed_safe": False, "not_confirmed": ["rail"]}], serial=serial),
        Rank.TRIP: run(measured, trips=[TRIP | {"confirmed_safe": True}], outcome="tripped", serial=serial),
        Rank.NO_END: run(measured, outcome="unfinished", ended=None, serial=serial),
        Rank.FOUND: run(measured, findings=[{"kind": "gain", "sentence": "gain is 1.1 dB low"}], serial=serial),
        Rank.OUTSIDE: run(power_of(90.0), ratings=[rating()], serial=serial),
        Rank.OUTSIDE_NEAR: run(power_of(99.0), ratings=[rating()], serial=serial),
        Rank.NOT_MEASURED: run(measured, refused_point("p002"), serial=serial),
        Rank.ENDED_EARLY: run(power_of(None, stopped_by="limited"), serial=serial),
        Rank.WITHIN_NEAR: run(power_of(101.0), ratings=[rating()], serial=serial),
        Rank.RAIL: run(power_of(110.0, rail_note="rail moved"), serial=serial),
        Rank.FLOOR: run(power_of(110.0, floor_note="the floor hides less than 0.02 %"), serial=serial),
        Rank.NOTHING: run(measured, serial=serial),
    }
    return made[rank]


def test_units_are_sorted_by_what_needs_a_person() -> None:
    """Whatever the order in the file: danger, faults, doubts, nothing. Serials run against the order on purpose."""
    runs = [of_rank(rank, f"S-{99 - rank}") for rank in Rank]
    for given in (runs, runs[::-1], runs[5:] + runs[:5]):
        told = by_attention(given)
        assert [found[0].rank for _, found in told] == list(Rank)
        assert [one["unit"]["serial"] for one, _ in told] == [f"S-{99 - rank}" for rank in Rank]
    assert needing(runs) == len(Rank) - 1


def test_more_of_the_same_comes_before_less_then_the_serial_decides() -> None:
    two = run(power_of(90.0, id="p001"), power_of(91.0, id="p002"), ratings=[rating()], serial="Z")
    one = run(power_of(90.0), ratings=[rating()], serial="A")
    like = run(power_of(90.0), ratings=[rating()], serial="B")
    assert [r["unit"]["serial"] for r, _ in by_attention([like, one, two])] == ["Z", "A", "B"]


@pytest.mark.parametrize("rank", list(Rank))
def test_every_concern_is_a_sentence_with_a_next_action(rank: Rank) -> None:
    found = concerns(of_rank(rank, "S"))
    assert found[0].rank == rank
    assert all(a.rank <= b.rank for a, b in pairwise(found))
    for one in found:
        assert one.sentence.endswith(".")
        assert one.next_action.endswith(".")
        assert one.sentence[0].isupper() or one.sentence[0].isdigit()


def test_the_sentence_holds_the_numbers() -> None:
    near = concerns(run(power_of(101.24, 2.41), ratings=[rating()]))[0]
    assert "101.2 ±2.4 W" in near.sentence
    assert "rated 100 W" in near.sentence
    assert NEAR in near.sentence
    told = concerns(run(trips=[TRIP | {"value": 86.04, "limit": 85.0, "point": "p020"}]))[0].sentence
    assert told == "Trip at p020: heat sink above its trip limit (86.04, limit 85.00)."


def test_points_of_one_reason_are_one_sentence() -> None:
    """Forty rows without a rail are one thing to look at."""
    points = [refused_point(f"p{i:03}", "rail not declared") for i in range(40)]
    (one,) = concerns(run(*points))
    assert one.sentence == "40 of 40 points, not measured: rail not declared."
    assert len(one.points) == 40


def test_a_findings_own_next_action_is_kept() -> None:
    finding = {"kind": "gain", "channel": "B", "sentence": "gain is low", "next_action": "look at the feedback divider"}
    (one,) = concerns(run(power_of(110.0), findings=[finding]))
    assert (one.sentence, one.next_action) == ("Channel B: gain is low.", "Look at the feedback divider.")
