"""Commands over MQTT: what is done, what is refused, and that nothing is done twice. Truths: README's "Unattended"
(only make safe while a trip is latched; a command has one effect; what is refused changes nothing)."""

from __future__ import annotations

import asyncio
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from sequencer.clock import VirtualClock, run_virtual
from sequencer.daemon.from_afar import BY_MQTT, QueueFromAfar
from sequencer.ledger.queue import Queue
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.commands import LATCHED, NO_QUEUE, Acts, Commands
from sequencer.night.questions import Questions
from sequencer.publish.consumers import Consumers
from sequencer.publish.live import Command, heard

NOW = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)
KINDS = ("stop", "make safe", "hold", "go on", "queue", "answer")
ASK = Ask("connected?", ("done", "no"), "no")


def command(kind: str, id: str = "c1", **more: Any) -> Command:
    body = {"schema_name": "nightramp.command", "schema_version": 1, "id": id, "time": NOW.isoformat(), "kind": kind}
    body |= {"expires": "2026-01-05T22:05:00+00:00", "to": "q", "answer": "done", "what": "first ferry_pa_60"} | more
    found = heard(Command, json.dumps(body).encode())
    assert found is not None
    return found


class Desk:
    """Notes what was done."""

    def __init__(self, latched: bool = False) -> None:
        self.done: list[str] = []
        self.latched = latched

    def stop(self, times: int) -> None:
        self.done.append(f"{times} signals")

    async def hold(self) -> tuple[Any, str]:
        self.done.append("hold")
        return "done", "held"

    async def go_on(self) -> tuple[Any, str]:
        self.done.append("go on")
        return "done", "waiting again"

    async def add(self, what: str) -> tuple[Any, str]:
        self.done.append(what)
        return "done", "added"

    def commands(self, queue: bool = True) -> Commands:
        acts = Acts(lambda: self.latched, self if queue else None, None, self.stop)
        return Commands(acts, lambda line: None)


async def test_each_kind_has_its_one_effect() -> None:
    desk = Desk()
    commands = desk.commands()
    outcomes = [await commands(command(kind, id=kind)) for kind in KINDS]
    assert desk.done == ["1 signals", "2 signals", "hold", "go on", "first ferry_pa_60"]
    assert [outcome for outcome, _ in outcomes] == ["done"] * 5 + ["refused"]


async def test_the_same_id_has_no_second_effect_and_the_same_reply() -> None:
    desk = Desk()
    commands = desk.commands()
    first = await commands(command("stop"))
    assert await commands(command("stop")) == first
    assert await commands(command("make safe")) == first, "the id counts, not what came under it later"
    assert desk.done == ["1 signals"]


async def test_while_a_trip_is_latched_only_make_safe_is_done() -> None:
    desk = Desk(latched=True)
    commands = desk.commands()
    outcomes = {kind: await commands(command(kind, id=kind)) for kind in KINDS}
    assert desk.done == ["2 signals"]
    assert {kind for kind, (outcome, _) in outcomes.items() if outcome == "done"} == {"make safe"}
    assert outcomes["go on"] == ("refused", LATCHED)


async def test_a_single_night_has_no_queue() -> None:
    desk = Desk()
    assert await desk.commands(queue=False)(command("hold")) == ("refused", NO_QUEUE)
    assert desk.done == []


async def test_an_expired_command_is_refused_before_anybody_acts() -> None:
    """Expired at the very instant it names (README)."""
    desk = Desk()
    consumers = Consumers(lambda: datetime(2026, 1, 5, 22, 5, tzinfo=UTC), desk.commands())
    said = await consumers.command(command("stop").model_dump_json().encode())
    assert said is not None
    assert said["outcome"] == "refused"
    assert desk.done == []


# --- questions


def asked(then: Any, at_terminal: Any = None) -> tuple[Answer, list[dict[str, Any]], float]:
    """The answer, what was told, and how long it took, s."""
    told: list[dict[str, Any]] = []

    async def main(clock: VirtualClock) -> tuple[Answer, float]:
        questions = Questions(clock, lambda: NOW, at_terminal)
        questions.tell = lambda body: told.append(dict(body))
        beside = asyncio.ensure_future(then(clock, questions, told))
        answer = await questions(ASK)
        beside.cancel()
        return answer, clock.now_ns() / 1e9

    answer, took_s = run_virtual(main)
    return answer, told, took_s


def test_a_question_is_told_and_answered_by_its_id() -> None:
    outcomes: list[Any] = []

    async def then(clock: VirtualClock, questions: Questions, told: list[dict[str, Any]]) -> None:
        await clock.sleep(60.0)
        outcomes.append(questions.answer("another", "done"))
        outcomes.append(questions.answer(told[0]["id"], "perhaps"))
        outcomes.append(questions.answer(told[0]["id"], "Done "))

    answer, told, took_s = asked(then)
    assert answer == Answer("done", by_a_person=True)
    assert took_s == 60.0
    assert [outcome for outcome, _ in outcomes] == ["refused", "refused", "done"]
    assert (told[0]["sentence"], told[0]["answers"]) == ("connected?", ["done", "no"])
    assert told[0]["expires"] == "2026-01-05T22:15:00+00:00", "15 minutes"


def test_nobody_answers_for_a_quarter_of_an_hour() -> None:
    async def then(clock: VirtualClock, questions: Questions, told: list[dict[str, Any]]) -> None:
        await clock.sleep(1e6)

    answer, _, took_s = asked(then)
    assert answer == Answer("no", by_a_person=False)
    assert took_s == 900.0


def test_the_terminal_may_answer_first_and_its_question_ends_with_the_other() -> None:
    ended: list[str] = []

    async def at_once(ask: Ask) -> Answer:
        return Answer("done", by_a_person=True)

    async def never(ask: Ask) -> Answer:
        try:
            await asyncio.get_running_loop().create_future()
        finally:
            ended.append("terminal")
        raise AssertionError

    async def then(clock: VirtualClock, questions: Questions, told: list[dict[str, Any]]) -> None:
        await clock.sleep(1.0)
        questions.answer(told[0]["id"], "no")

    assert asked(then, at_once)[0] == Answer("done", by_a_person=True)
    assert asked(then, never)[0] == Answer("no", by_a_person=True)
    assert ended == ["terminal"]


# --- the queue


@pytest.fixture
def afar(tmp_path: Path) -> QueueFromAfar:
    return QueueFromAfar(tmp_path / "ledger.sqlite", "workshop", lambda: NOW.isoformat())


def states(afar: QueueFromAfar) -> list[str]:
    with Queue(afar.ledger, read_only=True) as queue:
        return [entry.state for entry in queue.entries()]


async def test_queued_held_and_let_go_on(afar: QueueFromAfar) -> None:
    assert await afar.add('first ferry_pa_60@1 "after repair"') == ("done", "added: 1")
    with Queue(afar.ledger, read_only=True) as queue:
        (entry,) = queue.entries()
        assert (entry.label, entry.bay, entry.note) == ("after repair", "1", BY_MQTT)
    assert (await afar.hold())[0] == "done"
    assert states(afar) == ["held"]
    assert await afar.go_on() == ("done", "waiting again: 1")
    assert states(afar) == ["waiting"]


async def test_what_a_trip_or_a_person_has_held_stays_held(afar: QueueFromAfar) -> None:
    await afar.add("first ferry_pa_60")
    with Queue(afar.ledger) as queue:
        queue.hold(None, "the bench tripped")
    assert await afar.go_on() == ("done", "waiting again: none")
    assert states(afar) == ["held"]


@pytest.mark.parametrize(
    "what",
    ["", "first", "first ferry_pa_60 x y", 'first "ferry', "/etc/passwd ferry_pa_60", "first ../../x.toml",
     "no_such_plan ferry_pa_60", "first ferry_pa_60@9", "first " + "x" * 500, "soak_short ferry_pa_60@@1"],
)  # fmt: skip
async def test_what_is_refused_adds_nothing(afar: QueueFromAfar, what: str) -> None:
    outcome, sentence = await afar.add(what)
    assert outcome == "refused"
    assert 0 < len(sentence) <= 500
    assert not afar.ledger.exists() or states(afar) == []


async def test_an_entry_s_own_files_may_be_named_again(afar: QueueFromAfar) -> None:
    """Nobody sends paths to a bench but those that somebody at it has named."""
    await afar.add("first ferry_pa_60")
    with Queue(afar.ledger, read_only=True) as queue:
        (entry,) = queue.entries()
    assert (await afar.add(f"{entry.plan} {entry.unit}"))[0] == "done"
    other = Path(entry.plan).with_name("demo.toml")
    assert (await afar.add(f"{other} {entry.unit}"))[0] == "refused"
