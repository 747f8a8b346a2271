"""Messages: topics, what every payload carries, its schema. Truths: OASIS MQTT 3.1.1 and 5.0, section 4.7."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.ledger.plain import RowRefused
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger
from sequencer.publish.messages import (
    PAYLOADS,
    message_schemas,
    point_kept,
    run_begun,
    run_ended,
    run_resumed,
    status,
    told,
    topic,
    trip_kept,
)
from tests.sequencer.ledger_rows import BEGUN, LATER, head, point, refused_point

TRIP = {"time": LATER, "sentence": "heat sink at 86 degC", "cause": "unit", "value": 86.0, "limit": 85.0}


def each_kind() -> dict[str, Message]:
    return {
        "run": run_begun(head()),
        "point": point_kept(head(), point(), LATER),
        "trip": trip_kept(head(), TRIP),
        "status": status("workshop", "ramping", LATER, "p001 of unit FPA-0117", head(), "p001"),
    }


def payloads(tmp_path: Path, messages: list[Message]) -> list[dict[str, Any]]:
    with Ledger(tmp_path / "ledger.sqlite") as ledger:
        ledger.begin_run(head())
        ledger.keep_messages(messages, "r01")
        return [json.loads(kept.payload) for kept in ledger.outbox()]


def test_every_kind_is_tested_here() -> None:
    """A kind added without a test is seen."""
    assert set(each_kind()) == set(PAYLOADS) == set(message_schemas())


@pytest.mark.parametrize("kind", sorted(PAYLOADS))
def test_payloads_carry_id_seq_time_and_schema_and_match_their_model(kind: str, tmp_path: Path) -> None:
    """What a consumer that knows nothing else needs, in the payload itself; the model is the schema."""
    message = each_kind()[kind]
    (payload,) = payloads(tmp_path, [message])
    assert message.topic == f"nightramp/1/workshop/{kind}"
    assert (payload["schema_name"], payload["schema_version"]) == (f"nightramp.{kind}", 1)
    assert (payload["id"], payload["seq"]) == ("r01-1", 1)
    assert payload["time"] == (BEGUN if kind == "run" else LATER)
    assert payload["bench"] == "workshop"
    assert isinstance(told(payload), PAYLOADS[kind])
    assert told(payload).model_dump(exclude_unset=True) == payload


@pytest.mark.parametrize("kind", sorted(PAYLOADS))
def test_schemas_know_every_key_that_is_sent(kind: str, tmp_path: Path) -> None:
    """JSON Schema 2020-12: each key sent is described, and what is required is sent."""
    (payload,) = payloads(tmp_path, [each_kind()[kind]])
    schema = message_schemas()[kind]
    assert set(payload) <= set(schema["properties"])
    assert set(schema["required"]) <= set(payload)
    assert schema["properties"]["schema_name"]["const"] == f"nightramp.{kind}"


def test_only_the_state_is_retained() -> None:
    """Who comes late wants the state, not an old point."""
    assert [kind for kind, message in each_kind().items() if message.retain] == ["status"]


def test_run_messages_say_what_happened(tmp_path: Path) -> None:
    """Begun, resumed by another process, then ended with its outcome."""
    happened = [run_begun(head()), run_resumed(head(), LATER), run_ended(head(), LATER, "tripped")]
    first, again, last = payloads(tmp_path, happened)
    assert (first["happening"], first["outcome"], first["unit_serial"]) == ("begun", None, "FPA-0117")
    assert (again["happening"], again["outcome"], again["time"]) == ("resumed", None, LATER)
    assert (last["happening"], last["outcome"], last["time"]) == ("ended", "tripped", LATER)


def test_a_point_is_told_without_its_tables(tmp_path: Path) -> None:
    """Watts and their uncertainty are there; tables of cycles and shots are in the results."""
    measured, refused = payloads(
        tmp_path, [point_kept(head(), point(), LATER), point_kept(head(), refused_point(), LATER)]
    )
    channel = measured["point"]["channels"][0]
    assert (channel["power_w"], channel["power_expanded_uncertainty_w"]) == (112.31, 2.41)
    assert "shot_table" not in measured["point"]
    assert "cycle_rows" not in channel
    assert refused["point"]["reason"] == "rail not declared"


@pytest.mark.parametrize("kind", sorted(PAYLOADS))
def test_wrong_payloads_are_refused(kind: str, tmp_path: Path) -> None:
    """A key missing, another version, a number that is text."""
    (payload,) = payloads(tmp_path, [each_kind()[kind]])
    for wrong in ({"seq": "1"}, {"schema_version": 2}, {"time": None}):
        with pytest.raises(RowRefused, match=next(iter(wrong))):
            told(payload | wrong)
    with pytest.raises(RowRefused, match="bench"):
        told({key: value for key, value in payload.items() if key != "bench"})


def test_words_of_states_are_a_closed_list() -> None:
    """A word nobody knows is refused by who checks it."""
    with pytest.raises(RowRefused, match="state"):
        told({**status("b", "off", LATER).body, "id": "bench-1", "seq": 1, "state": "resting"})


@given(st.text())
def test_a_benchs_name_is_one_level_of_the_topic(name: str) -> None:
    """MQTT 4.7: levels are parted by `/`, `+` and `#` are wildcards, U+0000 is forbidden (4.7.3)."""
    made = topic(name, "point")
    first, second, bench, kind = made.split("/")
    assert (first, second, kind) == ("nightramp", "1", "point")
    assert bench
    assert not set(bench) & set("+#\x00 $")
    made.encode("utf-8")


def test_names_of_benches_stay_apart() -> None:
    """`a b` and `a/b` are two benches."""
    assert len({topic(name, "run") for name in ("a b", "a/b", "a-b", "A-B", "a+b")}) == 5
