"""What consumers may do to a publisher. Truths: bounds as README has them; RFC 3339 for times; RFC 8259 for JSON."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sequencer.publish.consumers import AGAIN_AT_ONCE, AGAIN_WAITING, Consumers, Outcome
from sequencer.publish.live import Command, Received, ReplyTold, any_told, as_object, heard, live_schemas
from tests.sequencer.hostile import COMMAND, LEDGER, RECEIVED, many, payloads

NOW = datetime(2026, 1, 5, 22, 0, tzinfo=UTC)


def consumers() -> Consumers:
    one = Consumers(lambda: NOW)
    one.ledger = LEDGER
    return one


def command(one: Consumers, **other: Any) -> dict[str, Any] | None:
    return at_once(one, json.dumps(COMMAND | other).encode())


def at_once(one: Consumers, payload: bytes) -> dict[str, Any] | None:
    """A coroutine that waits for nothing needs no loop."""
    try:
        one.command(payload).send(None)
    except StopIteration as done:
        reply: dict[str, Any] | None = done.value
        return reply
    raise AssertionError("it waits for something")


def test_both_forms_of_a_confirmation_count() -> None:
    one = consumers()
    assert one.received(json.dumps(RECEIVED | {"ranges": [[1, 4], [6, 9]], "seqs": [5, 20]}).encode())
    assert one.take_spans() == [(1, 9), (20, 20)]
    assert one.take_spans() == []


def test_say_again_is_bounded_by_request_and_by_requests() -> None:
    one = consumers()
    reply = command(one, id="long", last_seq=10_000)
    assert reply is not None
    assert reply["outcome"] == "done"
    assert f"ask for {AGAIN_AT_ONCE + 1}" in reply["sentence"]
    for number in range(AGAIN_WAITING + 5):
        reply = command(one, id=f"c{number}")
    assert reply is not None
    assert reply["outcome"] == "refused"
    spans = [one.take_again() for _ in range(AGAIN_WAITING + 1)]
    assert spans[0] == (1, AGAIN_AT_ONCE)
    assert spans[-1] is None


@pytest.mark.parametrize(
    ("other", "word"),
    [
        ({"expires": "2026-01-05T21:59:59Z"}, "expired"),
        ({"expires": "2026-01-05T22:30:00+01:00"}, "expired"),  # half past nine in UTC
        ({"ledger": "another"}, LEDGER),
        ({"first_seq": 3, "last_seq": 2}, "before"),
        ({"kind": "stop"}, "nobody"),
        ({"kind": "make safe"}, "nobody"),
    ],
)
def test_commands_that_are_refused_say_why_and_do_nothing(other: dict[str, Any], word: str) -> None:
    one = consumers()
    reply = command(one, **other)
    assert reply is not None
    assert reply["outcome"] == "refused"
    assert word in reply["sentence"]
    assert reply["of"] == COMMAND["id"]
    assert one.take_again() is None


def test_a_command_that_comes_twice_is_done_once() -> None:
    """QoS 1 delivers at least once (MQTT 3.1.1, 4.3.2; from memory)."""
    one = consumers()
    assert command(one) is not None
    assert command(one) is None
    assert (one.take_again(), one.take_again()) == ((1, 9), None)


def test_other_commands_go_to_the_handler_with_all_they_say() -> None:
    seen: list[Command] = []

    async def act(said: Command) -> Outcome:
        seen.append(said)
        return "done", "so be it"

    one = Consumers(lambda: NOW, act)
    one.ledger = LEDGER
    reply = command(one, kind="answer", to="q-1", answer="go on")
    assert reply == {"of": COMMAND["id"], "outcome": "done", "sentence": "so be it"}
    assert (seen[0].to, seen[0].answer) == ("q-1", "go on")
    assert command(one, id="c-3", kind="answer") is None  # an answer to nothing is none


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(payloads("received"), payloads("command"))
def test_hostile_messages_have_no_effect(received: bytes, wanted: bytes) -> None:
    unmoved([received], [wanted])


def test_five_thousand_hostile_messages_have_no_effect() -> None:
    unmoved(many("received", 2500, 1), many("command", 2500, 2))


def unmoved(received: list[bytes], commands: list[bytes]) -> None:
    one = consumers()
    assert not any(one.received(payload) for payload in received)
    assert [reply for payload in commands if (reply := at_once(one, payload)) is not None] == []
    assert one.take_spans() == []
    assert one.take_again() is None
    assert one.words == 0


@given(st.integers(-(10**6), 10**6))
def test_expiry_is_of_the_moment_not_of_its_writing(seconds: int) -> None:
    """The same moment in any offset."""
    for hours in (-11, 0, 5):
        when = (NOW + timedelta(seconds=seconds)).astimezone(tz=_offset(hours))
        said = heard(Command, json.dumps(COMMAND | {"expires": when.isoformat()}).encode())
        assert said is not None
        assert said.has_expired(NOW) == (seconds <= 0)


def _offset(hours: int) -> Any:
    from datetime import timezone

    return timezone(timedelta(hours=hours))


def test_schemas_of_what_is_said_live() -> None:
    """Each has one, and says its own name in it."""
    schemas = live_schemas()
    assert set(schemas) == {"readings", "reply", "question", "received", "command"}
    assert all(schema["properties"]["schema_name"]["const"] == f"nightramp.{kind}" for kind, schema in schemas.items())
    assert set(COMMAND) <= set(schemas["command"]["properties"])
    assert set(RECEIVED) <= set(schemas["received"]["properties"])


def test_a_reply_is_of_its_schema() -> None:
    body = {"of": "c-2", "outcome": "done", "sentence": "1 to 9 are said again"}
    told = {"schema_name": "nightramp.reply", "schema_version": 1, "id": "n-1", "seq": 0, "time": "t", "bench": "b"}
    assert isinstance(any_told(body | told), ReplyTold)
    assert heard(Received, json.dumps(RECEIVED).encode()) is not None
    assert as_object(b'{"a": 1, "a": 2}') is None  # RFC 8259, section 4: names should be unique
