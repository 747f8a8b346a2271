"""First power and the loads' proof where a person works the supply, or the mains, against a unit on paper.

The truth is what each test plants in the paper bench, and the order of the questions: on the mains a lamp first, and
nothing driven while it is in circuit (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pytest

from sequencer.measurements.by_hand import HandsDone
from sequencer.measurements.first_power import first_power
from sequencer.measurements.hand_idle import asked
from sequencer.measurements.hand_loads import proved
from sequencer.measurements.requests import Answer, Ask, Fire, Reply, Request, SetSupply
from sequencer.measurements.values import Values
from sequencer.plan.models import Bench, Unit
from tests.sequencer.paper_checks import (
    PaperBenchOfChecks,
    PaperUnit,
    bench_model,
    drive,
    job_of,
    kinds,
    number,
    unit_model,
    value,
)


def by_hand(shunt: bool = True) -> Bench:
    bench = bench_model(shunt=shunt, remote=False)
    roles = {name: role for name, role in bench.role.items() if name != "supply"}
    loads = {name: load.model_copy(update={"by_hand": True, "close": ()}) for name, load in bench.load.items()}
    return bench.model_copy(update={"role": roles, "load": loads})


def said(paper: PaperBenchOfChecks, words: Mapping[str, str]) -> Any:
    """Answers by what is in a question; "no" to all others. Everything else: the paper bench."""

    def answer(request: Request) -> Reply:
        if isinstance(request, Ask):
            paper.asked.append(request)
            word = next((word for part, word in words.items() if part in request.question), "no")
            return Answer(word, by_a_person=word != "no")
        return paper.answer(request)

    return answer


def powered(paper: PaperBenchOfChecks, unit: Unit, **words: str) -> Values:
    parts = {part.replace("_", " "): word for part, word in words.items()}
    return drive(first_power(job_of("first_power", unit, paper.bench)), said(paper, parts))


def switched(paper: PaperBenchOfChecks) -> list[tuple[float, bool]]:
    return [(r.volts, r.on) for r in paper.asked if isinstance(r, SetSupply)]


def test_a_person_reads_what_no_meter_tells() -> None:
    paper = PaperBenchOfChecks(bench=by_hand(), on=False)
    found = powered(paper, unit_model(), supply="1.02")
    assert number(found, "idle current, when first powered") == 1.02
    assert number(found, "supply at the unit") == pytest.approx(24.0 - 0.012, abs=0.05), "24 V less 12 mohm x 1 A"
    assert (found.no_drive, found.no_power, found.reason) == (None, None, None)
    assert "typed by a person" in (value(found, "idle current, when first powered").reason or "")
    assert switched(paper)[-1] == (24.0, True)


@pytest.mark.parametrize(("typed", "kind"), [("6", "do not power"), ("2.4", "no drive")])
def test_far_too_much_keeps_it_off_or_undriven(typed: str, kind: str) -> None:
    """6 A is the limit set; 2.4 A is twice its window's 1.2 A (common practice, no source)."""
    paper = PaperBenchOfChecks(bench=by_hand(), on=False)
    found = powered(paper, unit_model(), supply=typed)
    assert kinds(found) == [(kind, None)]
    assert (found.no_power is not None, paper.on) == (kind == "do not power", kind != "do not power")


@pytest.mark.parametrize(
    ("words", "question"),
    [
        ("", "Unit MV-0131: What does the supply's own meter show, without signal, in A?"),
        ("It is on.", "Unit MV-0131: It is on. What does the supply's own meter show, without signal, in A?"),
    ],
)
def test_a_question_is_joined_with_single_blanks(words: str, question: str) -> None:
    asks = next(asked(job_of("idle_current", unit_model(serial="MV-0131"), by_hand()), words))
    assert isinstance(asks, Ask)
    assert asks.question == question


def test_nobody_reads_it_and_it_is_left_off() -> None:
    paper = PaperBenchOfChecks(bench=by_hand(), on=False)
    found = powered(paper, unit_model())
    assert "nobody said" in (found.reason or "")
    assert not paper.on


def test_on_the_mains_a_lamp_comes_first_and_nothing_is_driven_behind_it() -> None:
    paper = PaperBenchOfChecks(bench=by_hand(), on=False)
    unit = unit_model(front_end="mains")
    found = powered(paper, unit, Isolating="done", dark_or="dim", Take_the_lamp="done", power_meter="31")
    questions = [r.question for r in paper.asked if isinstance(r, Ask)]
    order = ["lamp in series", "stay dark", "lamp out", "power meter"]
    assert [part in one for part, one in zip(order, questions, strict=True)] == [True] * 4
    assert switched(paper) == [(24.0, True), (24.0, False), (24.0, True)], "off while hands are at the lamp"
    assert not [r for r in paper.asked if isinstance(r, Fire)]
    assert number(found, "idle power, when first powered") == 31.0
    assert (found.no_drive, found.no_power) == (None, None)


def test_a_bright_lamp_keeps_it_off_and_one_that_stays_in_keeps_it_undriven() -> None:
    unit = unit_model(front_end="mains")
    paper = PaperBenchOfChecks(bench=by_hand(), on=False)
    bright = powered(paper, unit, Isolating="done", dark_or="bright")
    assert kinds(bright) == [("do not power", None)]
    assert (bright.no_power is not None, paper.on) == (True, False)
    stays = powered(paper := PaperBenchOfChecks(bench=by_hand(), on=False), unit, Isolating="done", dark_or="dim")
    assert "lamp" in (stays.no_drive or "")
    assert not paper.on


# --- the loads' proof


def proof(paper: PaperBenchOfChecks, bench: Bench, **words: str) -> tuple[str | None, HandsDone]:
    hands = HandsDone(load="8R", channels=("A", "B"))
    answer = said(paper, {part.replace("_", " "): word for part, word in words.items()})
    talk: Any = proved(job_of("gain", unit_model(), bench), hands)
    why: Any = drive(talk, answer)
    return why, hands


@pytest.mark.parametrize("seed", range(5))
def test_the_right_loads_are_proved_by_their_siemens_together(seed: int) -> None:
    """1 / (1/7.99 + 1/8.02), the paper bench's own ohms; the shunt's 0.5 % and the ranges' 1 % are declared."""
    bench = by_hand()
    why, hands = proof(paper := PaperBenchOfChecks(bench=bench, seed=seed), bench)
    assert why is None
    assert hands.proved == ("8R", ("A", "B"))
    seen = float((hands.proof or "").split(" together ")[1].split()[0])
    assert seen == pytest.approx(1.0 / (1.0 / 7.99 + 1.0 / 8.02), rel=0.005)
    assert paper.highest_v < 0.6 * math.sqrt(2.0), "harmless: below 0.5 Vrms, a mistake in gain_db aside"


@pytest.mark.parametrize(
    ("ohm", "why"),
    [
        ({("8R", "B"): 4.0}, "%"),
        ({("8R", "B"): math.inf}, "%"),
        ({("8R", "A"): math.inf, ("8R", "B"): math.inf}, "no current"),
    ],
)
def test_a_wrong_or_missing_load_is_not_driven(ohm: dict[tuple[str, str], float], why: str) -> None:
    bench = by_hand()
    paper = PaperBenchOfChecks(bench=bench)
    paper.ohm |= ohm
    found, hands = proof(paper, bench)
    assert why in (found or "")
    assert (found or "").startswith("not driven")
    assert hands.proved is None


def test_where_nothing_can_prove_it_a_persons_word_is_told_as_such() -> None:
    """No shunt; or outputs of opposite sense, whose currents cancel in one."""
    bench = by_hand(shunt=False)
    why, hands = proof(PaperBenchOfChecks(bench=bench), bench)
    assert why is None
    assert "own ohmmeter" in (hands.proof or "")
    bench, against = by_hand(), PaperUnit(gain={"A": 20.0, "B": -20.0})
    assert "nobody said" in (proof(PaperBenchOfChecks(against, bench=bench), bench)[0] or "")
    why, hands = proof(PaperBenchOfChecks(against, bench=bench), bench, cancel="done")
    assert why is None
    assert "own ohmmeter" in (hands.proof or "")
