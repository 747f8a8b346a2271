"""`stability` against a bench on paper: what is quicker than the signal, at rest and on crests; and who is asked."""

from __future__ import annotations

import asyncio
import math
import os
import pty
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, TextIO

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.clock import VirtualClock, run_real, run_virtual
from sequencer.measurements.requests import Answer, Ask, Fire, Remote, Reply, Request
from sequencer.measurements.stability import at_rest, stability
from sequencer.measurements.values import Values
from sequencer.night.asking import AtTerminal, nobody_there
from tests.sequencer.paper_checks import PaperBenchOfChecks, drive, job_of, kinds, unit_model, value

FROM_V, SIZE_V, QUICK_HZ = 15.0, 0.3, 300_000.0


@dataclass
class Nervous(PaperBenchOfChecks):
    """answers: what a person says, in order; then nobody is there. quick: channels that oscillate above 15 V.

    rest_v: peak of a line of 31.25 kHz at rest. with_cap: while a capacitor is on, channel A oscillates at any level.
    """

    answers: tuple[str, ...] = ()
    quick: frozenset[str] = frozenset()
    rest_v: float = 0.0
    with_cap: bool = False
    asks: list[Ask] = field(default_factory=list)
    cap: bool = False
    off_at_ask: list[bool] = field(default_factory=list)

    def answer(self, request: Request) -> Reply:
        if not isinstance(request, Ask):
            return super().answer(request)
        self.asks.append(request)
        self.off_at_ask.append(self.remote_s is None or not self.on)
        said = self.answers[len(self.asks) - 1] if len(self.asks) <= len(self.answers) else None
        if said == "done":
            self.cap = not self.cap
        return Answer(said or request.otherwise, said is not None)

    def _output(self, channel: str, fire: Fire, true_s: Any, fired_s: float) -> Any:
        volts = super()._output(channel, fire, true_s, fired_s)
        if fire.purpose == "quiet":
            return volts + self.rest_v * np.sin(2.0 * np.pi * 31_250.0 * true_s)
        touchy = self.cap and self.with_cap and channel == "A"
        if channel not in self.quick and not touchy:
            return volts
        from_v = 0.7 * float(np.abs(volts).max()) if touchy else FROM_V
        quick_v = SIZE_V * np.sin(2.0 * np.pi * QUICK_HZ * true_s)
        return volts + np.where(np.abs(volts) > from_v, quick_v, 0.0)


def looked(paper: Nervous, caps: tuple[float, ...] = (100.0,), **unit: Any) -> Values:
    made = job_of("stability", unit_model(**unit), paper.bench)
    point = replace(made.point, power_parts=(0.5,), capacitors_nf=caps)
    return drive(stability(replace(made, point=point)), paper.answer)


@pytest.fixture(autouse=True)
def quick_records(monkeypatch: pytest.MonkeyPatch) -> None:
    """The paper bench samples at 100 kS/s where nobody says otherwise: crests need 200 samples a cycle."""
    monkeypatch.setattr("tests.sequencer.paper_checks.LEVEL_HZ", 1e6)


def test_a_quiet_unit_shows_noise_alone_and_nothing_is_told() -> None:
    """White noise of 0.3 mV and the digitiser's half step, on ranges of 0.8 V at rest: no line, no oscillation."""
    found = looked(Nervous())
    assert kinds(found) == []
    step = 2.0 * 0.8 / 4096.0
    share = (500_000.0 - 20_000.0) / 500_000.0
    expected = math.sqrt((0.0003**2 + (0.25 + 1.0 / 12.0) * step**2) * share)
    assert value(found, "above 20 kHz, at rest", "A").value == pytest.approx(expected, rel=0.03)
    assert value(found, "above 20 kHz, at rest", "A").reason == "no line stands out"


def test_a_line_at_rest_is_told_with_its_frequency() -> None:
    """5 mV peak is 3.54 mVrms, at 31.25 kHz."""
    found = looked(Nervous(rest_v=0.005))
    assert kinds(found) == [("oscillation at rest", "A"), ("oscillation at rest", "B")]
    assert "3.5 mV at 31.2" in found.findings[0].sentence
    assert kinds(looked(Nervous(rest_v=0.005), output_class="D")) == []


def left_over() -> float:
    """Of a sine of 300 kHz at a million samples a second, what a parabola through 11 of them leaves (Savitzky and
    Golay, 1964: the weights of its middle, in 429ths)."""
    weights = np.array([-36, 9, 44, 69, 84, 89, 84, 69, 44, 9, -36]) / 429.0
    return float(1.0 - (weights * np.cos(2.0 * np.pi * QUICK_HZ * 1e-6 * np.arange(-5, 6))).sum())


def test_an_oscillation_on_the_crests_of_one_channel() -> None:
    found = looked(Nervous(quick=frozenset("B")))
    assert kinds(found) == [("oscillation on the crest", "B")]
    crest, calm = (value(found, "on the crests", name).value for name in "BA")
    assert crest is not None
    assert calm is not None
    assert crest == pytest.approx(SIZE_V / math.sqrt(2.0) * left_over(), rel=0.1)
    assert calm < 0.02


@pytest.mark.parametrize("line_hz", [31_250.0, 47_000.0, 180_000.0])
def test_the_size_of_a_line(line_hz: float) -> None:
    """A sine of known size between two bins, in noise: its rms within 3 %."""
    times = np.arange(26_500) * 1e-6 - 0.0005
    noise = np.random.default_rng(3).normal(0.0, 0.0002, times.size)
    volts = 0.004 * math.sqrt(2.0) * np.sin(2.0 * np.pi * (line_hz + 13.0) * times) + noise
    seen = at_rest(Record(volts, 1e-6, -0.0005, 4e-4, 0.8, False, 12))
    assert seen.line_hz == pytest.approx(line_hz, abs=60.0)
    assert seen.line_v == pytest.approx(0.004, rel=0.03)


def test_noise_alone_is_no_line() -> None:
    """200 records of 10,000 bins."""
    times = np.arange(21_000) * 1e-6
    for seed in range(200):
        noise = np.random.default_rng([8, seed]).normal(0.0, 0.001, times.size)
        assert at_rest(Record(noise, 1e-6, 0.0, 4e-4, 0.8, False, 12)).line_hz is None


# --- the person


def test_with_nobody_there_it_says_so_and_asks_once() -> None:
    paper = Nervous()
    found = looked(paper, caps=(10.0, 100.0))
    assert len(paper.asks) == 1
    told = [v for v in found.values if "nF" in v.name]
    assert [v.judgement for v in told] == 4 * ["not measured"]
    assert {v.reason for v in told} == {"nobody there: a person must connect the capacitor"}
    assert not [r for r in paper.asked if isinstance(r, Remote)]
    assert found.no_drive is None


def test_with_a_person_hands_go_near_only_what_is_off() -> None:
    """Asked while it is on only whether somebody is there; connect and take off while it is off."""
    paper = Nervous(answers=("yes", "done", "done"), with_cap=True)
    found = looked(paper)
    assert paper.off_at_ask == [False, True, True]
    assert [r.on for r in paper.asked if isinstance(r, Remote)] == [False, True, False, True]
    assert kinds(found) == [("oscillation on the crest", "A")]
    assert "with 100 nF across it" in found.findings[0].sentence
    assert value(found, "on the crests, with 100 nF", "A").value == pytest.approx(
        SIZE_V / math.sqrt(2.0) * left_over(), rel=0.1
    )
    assert found.no_drive is None


def test_a_capacitor_that_may_still_be_on_ends_the_driving() -> None:
    paper = Nervous(answers=("yes", "done"))
    found = looked(paper, caps=(10.0, 100.0))
    assert found.no_drive == "not driven: nobody said that the capacitor was taken off again"
    assert value(found, "on the crests, with 10 nF", "A").value is not None
    assert value(found, "on the crests, with 100 nF", "A").judgement == "not measured"


def test_a_person_who_does_not_connect_it() -> None:
    found = looked(Nervous(answers=("yes", "no")))
    one = value(found, "on the crests, with 100 nF", "A")
    assert (one.judgement, one.reason) == ("not measured", "the person there did not connect it")
    assert found.no_drive is None


# --- who answers

QUESTION = Ask("Is it connected?", ("done", "no"), "no")


def test_nobody_is_what_is_assumed() -> None:
    assert asyncio.run(nobody_there(QUESTION)) == Answer("no", by_a_person=False)


@contextmanager
def terminal() -> Iterator[tuple[int, TextIO]]:
    """A person's end, and the program's."""
    person, program = pty.openpty()
    with os.fdopen(program, encoding="utf-8") as lines:
        yield person, lines
    os.close(person)


def test_a_person_at_a_terminal_answers_in_the_words_that_are_offered() -> None:
    said: list[str] = []
    with terminal() as (person, lines):
        os.write(person, b"perhaps\n")

        def say(line: str) -> None:
            said.append(line)
            if line == "one of: done, no":
                os.write(person, b" Done \n")

        answer = run_real(lambda clock: AtTerminal(lines, say, clock)(QUESTION))
    assert answer == Answer("done", by_a_person=True)
    assert said[0].startswith("Is it connected? Type one of: done, no")


def test_a_person_who_went_home_is_not_waited_for_all_night() -> None:
    """15 minutes, in simulated time."""
    seen: list[float] = []

    async def ask(clock: VirtualClock) -> Answer:
        with terminal() as (_, lines):
            answer = await AtTerminal(lines, lambda line: None, clock)(QUESTION)
        seen.append(clock.now_ns() / 1e9)
        return answer

    assert run_virtual(ask) == Answer("no", by_a_person=False)
    assert seen == [900.0]
