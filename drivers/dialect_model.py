"""The shape of a dialect file: tables, keys, types, defaults. Pure; what the tables must contain for a role is
checked in drivers.dialect_rules.

Unknown keys are refused. There are no conditions and no expressions: where an instrument needs a decision, the
decision has a name here and code of ours behind it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Message = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[\x20-\x7e]+$")]
Messages = Annotated[tuple[Message, ...], Field(min_length=1)]
Place = Annotated[int, Field(ge=0, le=63)]


class Strict(BaseModel):
    """Frozen, no unknown keys, no silent conversion of text to numbers."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Link(Strict):
    """How messages end, how long a reply may take, what is told first on each new connection."""

    write_end: Literal["\n", "\r\n", "\r"] = "\n"
    read_end: Literal["\n", "\r\n", "\r"] = "\n"
    reply_within_s: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)] = 2.0
    opening: tuple[Message, ...] = ()
    clear: str = "*CLS"


class Identity(Strict):
    """ask: the question. begins: what the reply must begin with (the bench file may be stricter)."""

    ask: Message = "*IDN?"
    begins: Annotated[str, Field(min_length=1)]


class Errors(Strict):
    """The error queue. settings_refused: numbers that mean a setting did not take; header_unknown: that the
    instrument does not know the command at all; not_fired: that a trigger was ignored."""

    ask: Message = "SYST:ERR?"
    empty_if: int = 0
    read_at_most: Annotated[int, Field(ge=1, le=100)] = 20
    settings_refused: tuple[int, ...] = (-221, -222, -224)
    header_unknown: tuple[int, ...] = (-113,)
    not_fired: tuple[int, ...] = (-211,)


class NumberSample(Strict):
    """means: in our unit; inf is a value. record_s: length of the record, where a conversion needs it."""

    reply: str
    means: float
    record_s: Positive | None = None


class BooleanSample(Strict):
    reply: str
    means: bool


class WordSample(Strict):
    reply: str
    means: str


class Sent(Strict):
    """What settings of all kinds share. changes: settings whose number this one changes, and which are therefore
    sent later."""

    send: Messages
    ask: Message | None = None
    not_readable: bool = False
    changes: tuple[str, ...] = ()


class NumberSetting(Sent):
    """A number. decimals: fixed digits after the point; digits: significant ones, with exponent; one of both.

    smallest: least value that may be sent, our unit. infinite: word sent for infinity. within, within_relative:
    how far the read-back may lie off, in the instrument's unit; both add. convert: a name of drivers.conversions.
    half_divisions: from the centre to the end of the screen.
    """

    kind: Literal["number"]
    samples: Annotated[tuple[NumberSample, ...], Field(min_length=1)]
    decimals: Annotated[int, Field(ge=0, le=12)] | None = None
    digits: Annotated[int, Field(ge=3, le=15)] | None = None
    round: Literal["nearest", "down"] = "nearest"
    smallest: Finite | None = None
    infinite: Message | None = None
    within: NotNegative | None = None
    within_relative: Annotated[float, Field(ge=0, le=0.005)] | None = None
    convert: str = "none"
    half_divisions: Positive | None = None
    label: str = ""


class BooleanSetting(Sent):
    """On or off, sent as these words; read as 1, 0, ON or OFF."""

    kind: Literal["boolean"]
    samples: Annotated[tuple[BooleanSample, ...], Field(min_length=2)]
    on: Message = "ON"
    off: Message = "OFF"
    label: str = ""


class WordSetting(Sent):
    """One of several words. words: ours -> the instrument's as its manual prints it (`TRIGgered`)."""

    kind: Literal["word"]
    samples: tuple[WordSample, ...] = ()
    words: Annotated[dict[str, Message], Field(min_length=1)]
    label: str = ""


Setting = Annotated[NumberSetting | BooleanSetting | WordSetting, Field(discriminator="kind")]


class Act(Strict):
    """Messages that do something and set nothing that could be read back."""

    send: Messages


class ReadingSample(Strict):
    reply: str
    means: Annotated[dict[str, float], Field(min_length=1)]


class Reading(Strict):
    """One query and the quantities its comma fields stand for, in order."""

    ask: Message
    gives: Annotated[tuple[str, ...], Field(min_length=1)]
    label: str = ""
    samples: Annotated[tuple[ReadingSample, ...], Field(min_length=1)]


class EachSample(Strict):
    reply: str
    means: Annotated[tuple[float, ...] | tuple[bool, ...], Field(min_length=1)]


class Each(Strict):
    """One query that answers one value per named channel, in the order named."""

    ask: Message
    kind: Literal["number", "boolean"]
    samples: Annotated[tuple[EachSample, ...], Field(min_length=1)]


class BitsSample(Strict):
    reply: str
    means: tuple[str, ...]


class Status(Strict):
    """A register. bits: meaning -> bit number. latched: set since last read and cleared by reading."""

    ask: Message
    latched: bool
    bits: Annotated[dict[str, Annotated[int, Field(ge=0, le=31)]], Field(min_length=1)]
    samples: Annotated[tuple[BitsSample, ...], Field(min_length=1)]


class Completion(Strict):
    """How it is known that the digitiser is armed, and that it is done.

    state_word: the state is asked until it is at rest; since some show rest before they have started too,
    counter_ask names a count of complete captures that must have grown. blocking_query: done_ask answers only when
    the capture is complete.
    """

    kind: Literal["state_word", "blocking_query"]
    state_ask: Message
    states: dict[str, Messages]
    counter_ask: Message | None = None
    done_ask: Message | None = None
    done_is: str = "1"
    poll_s: Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)] = 0.002
    armed_within_s: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)] = 1.0


class Expect(Strict):
    field: Place
    reads: str


class TraceSample(Strict):
    """A preamble, the terms it must parse to, and one code with the volts it stands for."""

    reply: str
    means: Annotated[dict[str, float], Field(min_length=1)]
    code: int
    volts: Finite


class Trace(Strict):
    """Samples of one input.

    source_ask, source_reads: what proves that the input is the chosen one. fields: term -> place in the preamble.
    expect: fields that must read so, or the data have another form than this file believes. The converter's codes
    sit at the top of the word.
    """

    send: Messages
    source_ask: Message
    source_reads: Message
    preamble_ask: Message
    separator: Literal[",", ";"]
    field_count: Annotated[int, Field(ge=3, le=64)]
    fields: dict[str, Place]
    expect: tuple[Expect, ...] = ()
    formula: str
    block_ask: Message
    element: Literal["u16", "i16"]
    order: Literal["little", "big"]
    samples: Annotated[tuple[TraceSample, ...], Field(min_length=1)]


class Facts(Strict):
    """inputs: how many the digitiser has. settle_s: from the coil's answer to a quiet contact."""

    inputs: Annotated[int, Field(ge=1, le=8)] | None = None
    settle_s: Annotated[float, Field(gt=0, le=10, allow_inf_nan=False)] | None = None


class MakeSafe(Strict):
    """Lines harmless in any state, sent without waiting for replies."""

    send: tuple[Message, ...] = ()


class DialectFile(Strict):
    """The whole file. absent: settings the instrument does not have (said, not merely forgotten)."""

    format: Literal[1]
    role: Literal["generator", "digitiser", "supply", "load_switch", "thermometer", "interlock", "cut_off"]
    title: Annotated[str, Field(min_length=1, max_length=200)]
    provenance: Annotated[str, Field(min_length=1, max_length=500)]
    absent: tuple[str, ...] = ()
    link: Link = Link()
    identity: Identity
    errors: Errors | None = None
    setting: dict[str, Setting] = Field(default_factory=dict)
    act: dict[str, Act] = Field(default_factory=dict)
    reading: dict[str, Annotated[tuple[Reading, ...], Field(min_length=1)]] = Field(default_factory=dict)
    each: dict[str, Each] = Field(default_factory=dict)
    status: tuple[Status, ...] = ()
    completion: Completion | None = None
    trace: Trace | None = None
    facts: Facts = Facts()
    make_safe: MakeSafe = MakeSafe()
