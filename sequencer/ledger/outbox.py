"""The outbox: messages kept in the same commit as what they tell, then pending, sent, confirmed.

Sent: a broker has it in memory. Confirmed: a consumer said so, and only then is it safe elsewhere.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
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
    pending = " AND sent_at IS NULL" if only_pending else ""
    return _those(database, f"seq > :seq{pending}", {"seq": seq, "limit": limit})


def _those(database: sqlite3.Connection, where: str, values: Mapping[str, int]) -> list[Outgoing]:
    found = database.execute(
        "SELECT seq, id, topic, payload, retain, sent_at, confirmed_at FROM outbox"
        f" WHERE {where} ORDER BY seq LIMIT :limit",
        values,
    )
    return [
        Outgoing(number, name, topic, payload, bool(retain), _state(sent_at, confirmed_at))
        for number, name, topic, payload, retain, sent_at, confirmed_at in found
    ]


def _state(sent_at: str | None, confirmed_at: str | None) -> State:
    if confirmed_at is not None:
        return "confirmed"
    return "pending" if sent_at is None else "sent"


def mark_sent(database: sqlite3.Connection, seqs: Iterable[int], at: str) -> int:
    """Returns how many were news. A mark is never taken back or overwritten."""
    statement = "UPDATE outbox SET sent_at = :at WHERE seq = :seq AND sent_at IS NULL"
    return sum(database.execute(statement, {"at": at, "seq": seq}).rowcount for seq in seqs)


def identity(database: sqlite3.Connection) -> str:
    """What tells this ledger's numbers from those of any other: drawn when it was made, and kept in it."""
    return str(database.execute("SELECT identity FROM feed").fetchone()[0])


def between(database: sqlite3.Connection, first: int, last: int, limit: int) -> list[Outgoing]:
    """The messages numbered `first` to `last` that are still kept, in order, at most `limit`."""
    return _those(database, "seq BETWEEN :first AND :last", {"first": first, "last": last, "limit": limit})


def confirm(database: sqlite3.Connection, spans: Iterable[tuple[int, int]], published: int, at: str) -> int:
    """Marks spans, both ends included, as confirmed; returns how many were news.

    Who confirms a message has it, so it counts as sent even where the broker's own word was lost. Only what was
    published, in an earlier connection or up to number `published`: nobody has anything else.
    """
    statement = (
        "UPDATE outbox SET confirmed_at = :at, sent_at = coalesce(sent_at, :at) WHERE confirmed_at IS NULL"
        " AND seq BETWEEN :first AND :last AND (seq <= :published OR sent_at IS NOT NULL)"
    )
    said = ({"at": at, "first": first, "last": last, "published": published} for first, last in spans)
    return sum(database.execute(statement, one).rowcount for one in said)


def sent_to(database: sqlite3.Connection) -> int:
    """The highest number that is sent or confirmed; 0: none."""
    return int(database.execute("SELECT coalesce(max(seq), 0) FROM outbox WHERE sent_at IS NOT NULL").fetchone()[0])


def counts(database: sqlite3.Connection) -> dict[State, int]:
    """How many messages are in each state."""
    pending, sent, confirmed = database.execute(
        "SELECT count(*) FILTER (WHERE sent_at IS NULL),"
        " count(*) FILTER (WHERE sent_at IS NOT NULL AND confirmed_at IS NULL),"
        " count(*) FILTER (WHERE confirmed_at IS NOT NULL) FROM outbox"
    ).fetchone()
    return {"pending": pending, "sent": sent, "confirmed": confirmed}


def confirmed_before(database: sqlite3.Connection, when: datetime) -> int:
    """How many were confirmed before."""
    return len(_confirmed_before(database, when))


def forget_confirmed(database: sqlite3.Connection, when: datetime) -> int:
    """Takes them out; returns how many."""
    gone = _confirmed_before(database, when)
    database.executemany("DELETE FROM outbox WHERE seq = ?", [(seq,) for seq in gone])
    return len(gone)


def _confirmed_before(database: sqlite3.Connection, when: datetime) -> list[int]:
    """By time, not by text: stamps may carry any offset from UTC."""
    found = database.execute("SELECT seq, confirmed_at FROM outbox WHERE confirmed_at IS NOT NULL")
    return [seq for seq, at in found if datetime.fromisoformat(at) < when]
