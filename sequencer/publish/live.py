"""Messages that no ledger keeps: readings, and the talk with consumers. Pure: text in, checked models out.

`readings` the watch's readings, at most one a second, QoS 0 · `received` what a consumer has · `command` what somebody
wants · `reply` what became of it · `question` what a person is asked. Whatever else is said on a topic has no effect.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from sequencer.ledger.plain import from_json
from sequencer.ledger.rows import checked
from sequencer.publish.messages import PAYLOADS, Told

LARGEST_BYTES = 65536
MOST_RANGES = 1000
LONGEST_ANSWER = 200
HIGHEST_SEQ = 2**53 - 1  # beyond it JSON's numbers are no longer whole everywhere (RFC 8259, section 6)

Seq = Annotated[int, Field(ge=1, le=HIGHEST_SEQ)]
Name = Annotated[str, Field(min_length=1, max_length=100)]
Range = Annotated[list[Seq], Field(min_length=2, max_length=2)]
Kind = Literal["stop", "make safe", "hold", "go on", "queue", "say again", "answer"]
H = TypeVar("H", bound="Heard")


class ReadingsTold(Told):
    """The latest of the watch's readings: a meter window of the supply, null where a person works it; heat sinks.
    driven: in or just after a tone."""

    schema_name: Literal["nightramp.readings"]
    supply_v: float | None
    supply_a: float | None
    heatsink_c: dict[str, float] = Field(default_factory=dict)
    driven: bool = False


class ReplyTold(Told):
    """What became of a command. of: its id."""

    schema_name: Literal["nightramp.reply"]
    of: str
    outcome: Literal["done", "refused"]
    sentence: str


class QuestionTold(Told):
    """What a person is asked. answers: the words that may be answered, none: free text. expires: RFC 3339; after it
    the night goes on without an answer."""

    schema_name: Literal["nightramp.question"]
    sentence: str
    answers: list[str] = Field(default_factory=list)
    expires: str
    run: str | None = None
    unit_serial: str | None = None


class Heard(BaseModel):
    """What others say to us: strict, and unknown keys are left out. id: unique; a repeat has no second effect."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True, allow_inf_nan=False)

    schema_name: str
    schema_version: Literal[1]
    id: Name
    time: Name


class Received(Heard):
    """A consumer has these, safely. ledger: as in the payloads. ranges: [first, last] each, both included."""

    schema_name: Literal["nightramp.received"]
    ledger: Name
    consumer: Annotated[str, Field(max_length=100)] = ""
    seqs: Annotated[list[Seq], Field(max_length=MOST_RANGES)] = Field(default_factory=list)
    ranges: Annotated[list[Range], Field(max_length=MOST_RANGES)] = Field(default_factory=list)

    def spans(self) -> list[tuple[int, int]]:
        """Both forms as spans, both ends included; a span that ends before it begins is left out."""
        both = [(seq, seq) for seq in self.seqs] + [(first, last) for first, last in self.ranges]
        return [(first, last) for first, last in both if first <= last]


class Command(Heard):
    """What somebody wants of the bench. expires: RFC 3339 with its offset; after it nothing is done.

    say again: ledger, first_seq, last_seq · answer: to (the question's id), answer · queue: what.
    """

    schema_name: Literal["nightramp.command"]
    kind: Kind
    expires: str
    ledger: Name | None = None
    first_seq: Seq | None = None
    last_seq: Seq | None = None
    to: Name | None = None
    answer: Annotated[str, Field(max_length=LONGEST_ANSWER)] | None = None
    what: Annotated[str, Field(max_length=LONGEST_ANSWER)] | None = None

    @field_validator("expires")
    @classmethod
    def _is_a_time(cls, text: str) -> str:
        if datetime.fromisoformat(text).tzinfo is None:
            raise ValueError("without its offset from UTC")
        return text

    @model_validator(mode="after")
    def _is_whole(self) -> Command:
        if self.kind == "say again" and (self.ledger is None or self.first_seq is None or self.last_seq is None):
            raise ValueError("say again wants ledger, first_seq and last_seq")
        if self.kind == "answer" and (self.to is None or self.answer is None):
            raise ValueError("answer wants to and answer")
        return self

    def has_expired(self, now: datetime) -> bool:
        """now: with its offset from UTC."""
        return datetime.fromisoformat(self.expires) <= now


LIVE: dict[str, type[Told]] = {"readings": ReadingsTold, "reply": ReplyTold, "question": QuestionTold}
HEARD: dict[str, type[Heard]] = {"received": Received, "command": Command}


def live_schemas() -> dict[str, dict[str, Any]]:
    """JSON Schema of each kind of payload that no ledger keeps."""
    return {kind: model.model_json_schema() for kind, model in (*LIVE.items(), *HEARD.items())}


def any_told(payload: Mapping[str, Any]) -> Told:
    """Whatever nightramp publishes, as its model. Raises RowRefused: unknown schema, wrong or missing keys."""
    kind = str(payload.get("schema_name", "")).removeprefix("nightramp.")
    return checked((PAYLOADS | LIVE).get(kind, Told), payload)


def heard(model: type[H], payload: bytes) -> H | None:
    """A payload from others as its model, or None: too long, no JSON, not of this schema. Raises nothing."""
    body = as_object(payload)
    if body is None:
        return None
    try:
        return model.model_validate(body)
    except (ValidationError, ValueError, OverflowError):
        return None


def as_object(payload: object) -> dict[str, Any] | None:
    """The JSON object in a payload, or None. Raises nothing, however deep or odd it is."""
    if not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST_BYTES:
        return None
    try:
        body = from_json(payload.decode("utf-8"))
    except (ValueError, RecursionError):  # bad UTF-8 and bad JSON are ValueErrors
        return None
    return body if isinstance(body, dict) else None


def reply_body(command: Command, outcome: Literal["done", "refused"], sentence: str) -> dict[str, Any]:
    """The part of a reply that is its own."""
    return {"of": command.id, "outcome": outcome, "sentence": sentence}
