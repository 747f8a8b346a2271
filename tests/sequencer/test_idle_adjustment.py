"""Setting the idle current by hand, against a control on paper: amps as the person turns it, by arithmetic."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from sequencer.clock import VirtualClock, run_virtual
from sequencer.measurements.idle_adjustment import NO_WINDOW, NOBODY, idle_adjustment
from sequencer.measurements.requests import Answer, Answered, Ask, AskMeanwhile, Reply, Request, Tell
from sequencer.measurements.values import Values
from sequencer.night.asking import nobody_there
from sequencer.night.talk import Talker
from sequencer.plan.models import IdleCurrent
from tests.sequencer.paper_checks import bench_model, drive, job_of, kinds, unit_model, value
from tests.sequencer.paper_values import PaperBench

LOW_A, HIGH_A = 0.9, 1.4


@dataclass
class Turned(PaperBench):
    """A person who says `first`, then turns at `a_per_s` for `for_s`, then says `last`."""

    first: str = "yes"
    from_a: float = 0.4
    a_per_s: float = 0.02
    for_s: float = 35.0
    last: str | None = "done"
    begun_s: float | None = None
    told: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def drawn(self, t_s: float) -> float:
        if self.begun_s is None:
            return self.from_a
        return self.from_a + self.a_per_s * min(max(t_s - self.begun_s, 0.0), self.for_s)

    def answer(self, request: Request) -> Reply:
        match request:
            case Ask():
                self.asked.append(request.question)
                return Answer(self.first, self.first == "yes")
            case AskMeanwhile():
                self.asked.append(request.question)
                self.begun_s = self.now_s
                return None
            case Answered():
                assert self.begun_s is not None
                over = self.now_s - self.begun_s > self.for_s
                return Answer(self.last, True) if over and self.last else None
            case Tell(sentence=sentence):
                self.told.append(sentence)
                return None
        return super().answer(request)


def turned(person: Turned, window: bool = True) -> Values:
    person.amps = person.drawn
    unit = unit_model(idle_current=IdleCurrent(window_a=(LOW_A, HIGH_A) if window else None))
    return drive(idle_adjustment(job_of("idle_adjustment", unit, bench_model())), person.answer)


def test_turned_into_its_window() -> None:
    """0.4 A + 35 s of 0.02 A/s = 1.1 A, within; nothing was fired; the reading was told as it rose, with its way."""
    person = Turned()
    found = turned(person)
    assert value(found, "idle current, before adjusting").value == pytest.approx(0.4, abs=0.001)
    after = value(found, "idle current, after adjusting")
    assert (after.value, after.judgement) == (pytest.approx(1.1, abs=0.001), "within")
    assert kinds(found) == []
    assert found.reason is None
    assert person.fired == []
    assert "below: turn it up" in person.told[0]
    assert "within" in person.told[-1]
    assert 15 <= len(person.told) <= 40, "0.7 A in parts of 2 % of 1.4 A, no line a second for minutes"


def test_left_below_its_window_is_told() -> None:
    found = turned(Turned(for_s=10.0))
    assert value(found, "idle current, after adjusting").judgement == "outside"
    assert kinds(found) == [("idle current not set", None)]


def test_a_control_turned_the_wrong_way_is_made_safe() -> None:
    """Above 1.5 x 1.4 = 2.1 A (common practice, no source) for three readings, some 4 s."""
    person = Turned(a_per_s=0.5, for_s=60.0)
    found = turned(person)
    assert found.trip is not None
    assert found.trip_rule == "supply current without signal"
    assert person.begun_s is not None
    assert person.now_s - person.begun_s < (2.1 - 0.4) / 0.5 + 5.0


def test_nobody_there_and_no_window() -> None:
    person = Turned(first="no")
    assert turned(person).reason == NOBODY
    assert person.begun_s is None
    assert turned(Turned(), window=False).reason == NO_WINDOW


def test_no_answer_is_said_and_what_was_read_is_kept() -> None:
    found = turned(Turned(last="no"))
    assert found.reason == "nobody said that it was done"
    assert value(found, "idle current, after adjusting").value == pytest.approx(1.1, abs=0.001)


def test_a_question_that_is_open_goes_with_its_measurement() -> None:
    """Whoever asks at a terminal must not wait there after the measurement has ended."""
    ended: list[str] = []

    async def main(clock: VirtualClock) -> None:
        import asyncio
        from concurrent.futures import ThreadPoolExecutor

        async def asking(ask: Ask) -> Answer:
            try:
                await asyncio.get_running_loop().create_future()
            except asyncio.CancelledError:
                ended.append(ask.question)
                raise
            return Answer(ask.otherwise, False)

        def talk():  # type: ignore[no-untyped-def]
            yield AskMeanwhile("open?", ("done", "no"), "no")
            assert (yield Answered()) is None
            yield Tell("1.0 A")
            return None

        with ThreadPoolExecutor(1) as thinking:
            heard: list[str] = []
            talker = Talker(None, clock, thinking, None, None, None, asking, heard.append)  # type: ignore[arg-type]
            await talker.measure(talk(), lambda request, reply: None)
        await asyncio.sleep(0)
        assert heard == ["1.0 A"]

    run_virtual(main)
    assert ended == ["open?"]


def test_nobody_there_is_an_answer_at_once() -> None:
    async def main(clock: VirtualClock) -> Answer:
        return await nobody_there(Ask("there?", ("yes", "no"), "no"))

    assert run_virtual(main) == Answer("no", by_a_person=False)
