"""The outbox: numbers that only grow, marks that are never taken back."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.ledger.results import MESSAGES_NAME, write_results
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger
from tests.sequencer.ledger_rows import LATER, head, point

SOON = "2026-03-01T20:00:01.000+00:00"


def told(*words: str) -> list[Message]:
    return [Message("nightramp/1/workshop/point", {"word": word}) for word in words]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with Ledger(tmp_path / "ledger.sqlite") as opened:
        opened.begin_run(head())
        yield opened


def test_numbers_grow_by_one_over_all_runs_and_openings(tmp_path: Path) -> None:
    """A consumer sees a gap only where one is."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.begin_run(head("r01"), told("a"))
        ledger.begin_run(head("r02"), told("b", "c"))
    with Ledger(path) as ledger:
        assert ledger.keep_point("r01", point(), told("d", "e")) == (4, 5)
        assert ledger.keep_messages(told("f")) == (6,)
        kept = ledger.outbox()
    assert [m.seq for m in kept] == [1, 2, 3, 4, 5, 6]
    assert [m.id for m in kept] == ["r01-1", "r02-2", "r02-3", "r01-4", "r01-5", "bench-6"]
    for message in kept:
        payload = json.loads(message.payload)
        assert (payload["id"], payload["seq"]) == (message.id, message.seq)
    assert "".join(json.loads(m.payload)["word"] for m in kept) == "abcdef"


def test_a_consumer_asks_for_all_after_a_number(ledger: Ledger) -> None:
    """In order, at most so many."""
    ledger.keep_messages(told(*"abcdef"))
    assert [m.seq for m in ledger.outbox(after=2, limit=3)] == [3, 4, 5]
    assert [m.seq for m in ledger.outbox(after=6)] == []


def test_pending_then_sent_then_confirmed(ledger: Ledger) -> None:
    """Marks are counted once and never taken back."""
    ledger.keep_messages(told(*"abc"))
    assert ledger.mark_sent([1, 2, 99], SOON) == 2
    assert ledger.mark_sent([1, 2], LATER) == 0
    assert ledger.confirm([(1, 1)], 1, LATER) == 1
    assert ledger.mark_sent([1], LATER) == 0
    assert [m.state for m in ledger.outbox()] == ["confirmed", "sent", "pending"]
    assert [m.seq for m in ledger.outbox(only_pending=True)] == [3]
    assert ledger.message_counts() == {"pending": 1, "sent": 1, "confirmed": 1}


def test_who_confirms_has_it_though_the_brokers_word_was_lost(ledger: Ledger) -> None:
    """It must not be sent again."""
    ledger.keep_messages(told("a"))
    assert ledger.confirm([(1, 1)], 1, LATER) == 1
    assert ledger.outbox(only_pending=True) == []
    assert ledger.message_counts() == {"pending": 0, "sent": 0, "confirmed": 1}


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["sent", "confirmed"]), st.integers(1, 5)), max_size=20))
def test_any_order_of_marks_agrees_with_counting_by_hand(
    tmp_path_factory: pytest.TempPathFactory, marks: list[tuple[str, int]]
) -> None:
    """A set of sent and a set of confirmed numbers is the model."""
    sent: set[int] = set()
    confirmed: set[int] = set()
    with Ledger(tmp_path_factory.mktemp("marks") / "ledger.sqlite") as ledger:
        ledger.keep_messages(told(*"abcde"))
        for word, seq in marks:
            if word == "sent":
                ledger.mark_sent([seq], SOON)
            else:
                ledger.confirm([(seq, seq)], seq, SOON)
                confirmed.add(seq)
            sent.add(seq)
        assert {m.seq for m in ledger.outbox() if m.state == "confirmed"} == confirmed
        assert {m.seq for m in ledger.outbox(only_pending=True)} == set(range(1, 6)) - sent


def test_messages_file_holds_them_in_order_whatever_became_of_them(ledger: Ledger, tmp_path: Path) -> None:
    """One JSON text a line; sending changes nothing in it."""
    ledger.keep_messages([Message("t/status", {"state": "off"}, retain=True), *told("a")])
    write_results(tmp_path, ledger)
    before = (tmp_path / MESSAGES_NAME).read_bytes()
    ledger.confirm([(1, 2)], 2, SOON)
    write_results(tmp_path, ledger)
    assert (tmp_path / MESSAGES_NAME).read_bytes() == before
    lines = [json.loads(line) for line in before.decode().splitlines()]
    assert [(line["topic"], line["retain"], line["payload"]["seq"]) for line in lines] == [
        ("t/status", True, 1),
        ("nightramp/1/workshop/point", False, 2),
    ]


def test_only_what_was_published_can_be_confirmed(ledger: Ledger) -> None:
    """Spans of any length; sent before, or up to the number that was handed to a broker."""
    ledger.keep_messages(told(*"abcdef"))
    ledger.mark_sent([6], SOON)
    assert ledger.confirm([(2, 3), (5, 2**53 - 1)], 2, LATER) == 2
    assert [m.state for m in ledger.outbox()] == ["pending", "confirmed", "pending", "pending", "pending", "confirmed"]
    assert ledger.confirm([(1, 6)], 4, LATER) == 3
    assert ledger.confirm([(1, 6)], 6, SOON) == 1
    assert ledger.message_counts() == {"pending": 0, "sent": 0, "confirmed": 6}


def test_messages_between_two_numbers(ledger: Ledger) -> None:
    ledger.keep_messages(told(*"abcdef"))
    assert [m.seq for m in ledger.messages_between(2, 4, 10)] == [2, 3, 4]
    assert [m.seq for m in ledger.messages_between(5, 99, 10)] == [5, 6]
    assert [m.seq for m in ledger.messages_between(1, 6, 2)] == [1, 2]


def test_a_ledger_keeps_its_identity_and_no_two_share_one(tmp_path: Path) -> None:
    seen = []
    for name in ("a", "a", "b"):
        with Ledger(tmp_path / f"{name}.sqlite") as one:
            seen += [one.identity(), one.identity()]
    assert len(set(seen[:4])) == 1
    assert len(set(seen)) == 2
