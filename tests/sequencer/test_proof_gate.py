"""What a proof of a bench is worth to who wants to drive it. The rules are the project's own; README states them."""

from __future__ import annotations

import shlex
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from sequencer.proving.gate import OLDEST_DAYS, BenchNow, Kept, NotProved, doubts, met, sentence, settled
from sequencer.proving.record import Proof
from tests.sequencer.proofs import AT, proof, step

NOW = datetime.fromisoformat(AT) + timedelta(days=7)
BENCH = BenchNow("./deck hand/bench.toml", "workshop", {"bench.toml": "a" * 64, "generator-a": "b" * 64})
RECORD = "bench.proof.json"


def kept(**more: Any) -> Kept:
    steps = more.pop("steps", ())
    return Kept(RECORD, proof(*steps, **more))


def test_a_proof_that_holds_is_told_as_it_was() -> None:
    told = settled(kept(), BENCH, NOW, None)
    assert told == {
        "proved": True,
        "by": "the day shift",
        "on": AT,
        "held": 1,
        "not_seen": ["response, thermometer"],
        "record": RECORD,
    }
    assert sentence(told) == "2026-03-10 by the day shift, 1 held, 1 not seen: response, thermometer."
    assert settled(kept(), BENCH, NOW, "somebody") == told, "nobody need answer for a bench that is proved"


@pytest.mark.parametrize(
    ("found", "bench", "now", "key", "words"),
    [
        (Kept(RECORD), BENCH, NOW, "proof", "never proved"),
        (Kept(RECORD, why="no bench's proof"), BENCH, NOW, "file", "no bench's proof"),
        (kept(simulated=True), BENCH, NOW, "simulated", "simulation only"),
        (
            kept(steps=(step("level", "generator"), step("current limit", "supply", "failed"))),
            BENCH,
            NOW,
            "steps",
            "this did not hold: current limit, supply",
        ),
        (kept(made_safe=False), BENCH, NOW, "made_safe", "not confirmed safe"),
        (kept(steps=(step("level", "generator", "not seen"),)), BENCH, NOW, "steps", "nothing of this bench"),
        (kept(bench="deck"), BENCH, NOW, "bench", "another bench"),
        (kept(), replace(BENCH, files=BENCH.files | {"bench.toml": "c" * 64}), NOW, "files.bench.toml", "altered"),
        (kept(), replace(BENCH, files={"bench.toml": "a" * 64}), NOW, "files.generator-a", "gone"),
        (kept(), replace(BENCH, files=BENCH.files | {"x.codec.py": "c" * 64}), NOW, "files.x.codec.py", "not there"),
        (kept(), BENCH, NOW + timedelta(days=OLDEST_DAYS), "ended", "a proof holds for 400 days"),
        (kept(ended="2026-03-10T18:00:00"), BENCH, NOW, "ended", "ISO 8601"),
        (kept(ended="last week"), BENCH, NOW, "ended", "ISO 8601"),
        (kept(), BENCH, NOW - timedelta(days=9), "ended", "in the future"),
    ],
)
def test_what_stands_against_a_start(found: Kept, bench: BenchNow, now: datetime, key: str, words: str) -> None:
    """Refused with file, key, value, and the very command; or, where somebody answers for it, told with the reason."""
    with pytest.raises(NotProved) as refused:
        settled(found, bench, now, None)
    (problem,) = refused.value.problems
    assert problem.key == key
    assert words in str(problem)
    assert "--unproved-by NAME" in problem.remedy
    command = problem.remedy.split("`")[1]
    assert shlex.split(command) == ["nightramp", "instruments", "--bench", "./deck hand/bench.toml", "--prove"]
    told = settled(found, bench, now, "the mate")
    assert (told["proved"], told["by"]) == (False, "the mate")
    assert sentence(told) == f"NO: {told['reason']}; answered for by the mate."
    assert told["reason"]


def test_all_that_stands_against_it_is_told_at_once() -> None:
    bad = kept(simulated=True, made_safe=False, bench="deck", steps=(step("level", "generator", "failed"),))
    keys = [one.key for one in doubts(bad, replace(BENCH, files={}), NOW + timedelta(days=500))]
    assert keys == ["bench", "simulated", "steps", "made_safe", "files.bench.toml", "files.generator-a", "ended"]


@pytest.mark.parametrize(("days", "is_old"), [(399.9, False), (400.1, True)])
def test_it_holds_for_400_days(days: float, is_old: bool) -> None:
    now = datetime.fromisoformat(AT) + timedelta(days=days)
    assert bool(doubts(kept(), BENCH, now)) == is_old


def test_its_zone_counts() -> None:
    """18:00 at +05:00 is 13:00 UTC (ISO 8601, 4.2.5; from memory)."""
    found = kept(ended="2026-03-10T18:00:00+05:00")
    assert not doubts(found, BENCH, datetime(2027, 4, 14, 12, 59, tzinfo=UTC))
    assert doubts(found, BENCH, datetime(2027, 4, 14, 13, 1, tzinfo=UTC))


def test_another_record_is_in_the_command() -> None:
    with pytest.raises(NotProved, match=r"--prove --proof other\.json"):
        settled(Kept("other.json"), replace(BENCH, record="other.json"), NOW, None)


def test_the_gate_and_the_record_agree_on_what_holds() -> None:
    """`Proof.held` and the doubts: whatever the outcomes, one says yes where the other has no doubt."""
    outcomes = ("held", "failed", "not seen")
    for first in outcomes:
        for second in outcomes:
            for safe in (True, False):
                one: Proof = proof(step("a", "bench", first), step("b", "bench", second), made_safe=safe)
                assert one.held == (not doubts(Kept(RECORD, one), BENCH, NOW))


WAS = "HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4"


@pytest.mark.parametrize(
    ("now", "other"),
    [
        ("HARBOUR INSTRUMENTS,FG-1,FG-2215,1.4", "serial"),
        ("HARBOUR INSTRUMENTS,FG-1,FG-2214,1.5", "firmware"),
        ("HARBOUR INSTRUMENTS,FG-2,FG-9,1.4", "model"),
        ("LIGHTSHIP,FG-1,FG-2214,1.4", "maker"),
        ("HARBOUR FG-1", "identity"),
        ("x" * 5000, "identity"),
    ],
)
def test_another_instrument_than_the_one_that_was_proved(now: str, other: str) -> None:
    """Which one, what it was, what it is, and what to do; or, where somebody answers for it, kept with the reason."""
    with pytest.raises(NotProved) as refused:
        met(kept(), BENCH, {"generator": now, "supply": "unheard of then"}, None)
    (problem,) = refused.value.problems
    assert (problem.file, problem.key) == (RECORD, "identities.generator")
    assert f"generator answers with another {other}: " in problem.remedy
    assert now[:30] in problem.remedy
    assert WAS in problem.remedy
    assert "--prove`; or --unproved-by NAME" in problem.remedy
    assert len(str(problem)) < 600
    told = met(kept(), BENCH, {"generator": now}, "the mate")
    assert (told["proved"], told["by"]) == (False, "the mate")
    assert f"another {other}" in told["reason"]


@pytest.mark.parametrize("answers", [{"generator": WAS}, {"generator": f"{WAS} "}, {}])
def test_the_same_one_or_one_that_says_nothing_leaves_the_proof_as_it_is(answers: dict[str, str]) -> None:
    """Who does not answer is the night's matter: it will say so."""
    assert met(kept(), BENCH, answers, None) == settled(kept(), BENCH, NOW, None)
