"""The outbox: messages kept in the same commit as what they tell, then pending, sent, confirmed.

Sent: a broker has it in memory. Confirmed: a consumer said so, and only then is it safe elsewhere.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sequencer.ledger.plain import from_json, row_to_line
from sequencer.ledger.rows import Message

State = Literal["pending", "sent", "confirmed"]
NO_RUN = "bench"


@dataclass(frozen=True)
class Outgoing:
    """A kept message. payload: JSON text as it is to be published; it carries id and seq itself."""

    seq: int
    id: str
    topic: str
    payload: str
    retain: bool
    state: State

    def as_row(self) -> dict[str, Any]:
        """One line of messages.jsonl. Without the state: what became of it is not part of what is told."""
        return {"topic": self.topic, "retain": self.retain, "payload": from_json(self.payload)}


def put(database: sqlite3.Connection, run_id: str | None, messages: Sequence[Message]) -> tuple[int, ...]:
    """Gives each message the next number and keeps it; called inside the transaction of what it tells."""
    return tuple(_put_one(database, run_id, message) for message in messages)


def _put_one(database: sqlite3.Connection, run_id: str | None, message: Message) -> int:
    seq = int(database.execute("UPDATE book SET seq = seq + 1 RETURNING seq").fetchone()[0])
    name = f"{run_id or NO_RUN}-{seq}"
    payload = row_to_line({**message.body, "id": name, "seq": seq})
    database.execute(
        "INSERT INTO outbox (seq, id, run_id, topic, retain, payload) VALUES (?, ?, ?, ?, ?, ?)",
        (seq, name, run_id, message.topic, int(message.retain), payload),
    )
    return seq


def after(database: sqlite3.Connection, seq: int, limit: int, only_pending: bool) -> list[Outgoing]:
    """Messages numbered above `seq`, in order, at most `limit` of them (-1: all)."""
    pending = "AND sent_at IS NULL" if only_pending else ""
    found = database.execute(
        "SELECT seq, id, topic, payload, retain, sent_at, confirmed_at FROM outbox"
        f" WHERE seq > ? {pending} ORDER BY seq LIMIT ?",
        (seq, limit),
    )
    return [
        Outgoing(number, name, topic, payload, bool(retain), _state(sent_at, confirmed_at))
        for number, name, topic, payload, retain, sent_at, confirmed_at in found
    ]


def _state(sent_at: str | None, confirmed_at: str | None) -> State:
    if confirmed_at is not None:
        return "confirmed"
    return "pending" if sent_at is None else "sent"


def mark(database: sqlite3.Connection, seqs: Iterable[int], at: str, confirmed: bool) -> int:
    """Marks as sent, or as confirmed; returns how many were news. A mark is never taken back or overwritten.

    Who confirms a message has it, so it counts as sent even where the broker's own word was lost.
    """
    word = "confirmed_at" if confirmed else "sent_at"
    both = ", sent_at = coalesce(sent_at, :at)" if confirmed else ""
    statement = f"UPDATE outbox SET {word} = :at{both} WHERE seq = :seq AND {word} IS NULL"
    return sum(database.execute(statement, {"at": at, "seq": seq}).rowcount for seq in seqs)


def counts(database: sqlite3.Connection) -> dict[State, int]:
    """How many messages are in each state."""
    pending, sent, confirmed = database.execute(
        "SELECT count(*) FILTER (WHERE sent_at IS NULL),"
        " count(*) FILTER (WHERE sent_at IS NOT NULL AND confirmed_at IS NULL),"
        " count(*) FILTER (WHERE confirmed_at IS NOT NULL) FROM outbox"
    ).fetchone()
    return {"pending": pending, "sent": sent, "confirmed": confirmed}
