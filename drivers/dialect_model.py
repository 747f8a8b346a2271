"""The shape of a dialect file: tables, keys, types, defaults. Pure; what the tables must contain for a role is
checked in drivers.dialect_rules.

Unknown keys are refused. There are no conditions and no expressions: where an instrument needs a decision, the
decision has a name here and code of ours behind it.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from drivers.dialect_base import Finite, Message, Messages, NotNegative, Place, Positive, Rest, Strict, Unit
from drivers.dialect_facts import Facts
from drivers.dialect_link import CodecSample, Errors, Identity, Link
from drivers.reply_forms import PLAIN, ReplyForm

Repeated = Literal["channel_list", "commas"]


class NumberSample(Strict):
    """means: in our unit; inf is a value. record_s, interval_s: length of the record, interval of its samples, where a
    conversion needs them; attenuation: of the probe, where the number is one behind it."""

    reply: str
    means: float
    record_s: Positive | None = None
    interval_s: Positive | None = None
    attenuation: Positive = 1.0


class BooleanSample(Strict):
    reply: str
    means: bool


class WordSample(Strict):
    reply: str
    means: str


class Sent(Strict):
    """What settings of all kinds share. changes: settings whose number this one changes, and which are therefore
    sent later. wait_s: rest after each of its messages. reply: where in the reply the value stands. bytes: how many
    the reply has, where nothing ends it."""

    send: Messages
    wait_s: Rest = 0.0
    ask: Message | None = None
    reply: ReplyForm = PLAIN
    bytes: Annotated[int, Field(ge=1, le=255)] | None = None
    not_readable: bool = False
    changes: tuple[str, ...] = ()


class Rung(Strict):
    """One of the values an instrument offers, our unit, and its word for it."""

    value: Finite
    word: Message


class NumberSetting(Sent):
    """A number. decimals: fixed digits after the point; digits: significant ones, with exponent; one of both, or rungs:
    the values there are, each with its word; the least that reaches the value asked for is sent (round = "down": the
    largest that does not pass it).

    count_of: what one count of the instrument's number is in our unit (1e-6 where it counts microseconds). width:
    places that the number fills, with zeros in front. unit: glued to the number in the reply, multiplier or not.
    smallest: least value that may be sent, our unit. infinite: word sent for infinity. within, within_relative:
    how far the read-back may lie off, in the instrument's unit; both add. convert: a name of drivers.conversions.
    half_divisions: from the centre to the end of the screen. at_terminal: counted behind the probe. sign: a plus
    sign is sent too.
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
    count_of: Positive = 1.0
    width: Annotated[int, Field(ge=1, le=20)] | None = None
    unit: Unit = ""
    rungs: tuple[Rung, ...] = ()
    sign: bool = False
    at_terminal: bool = False
    label: str = ""


class BooleanSetting(Sent):
    """On or off, sent as these words; read as 1, 0, ON, OFF, or as the words sent."""

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
    """Messages that do something and set nothing that could be read back. wait_s: rest after each of them. names_as:
    how several contacts are written, `(@101,103)` or `101,103`."""

    send: Messages
    wait_s: Rest = 0.0
    names_as: Repeated = "channel_list"


class ReadingSample(Strict):
    reply: str
    means: Annotated[dict[str, float], Field(min_length=1)]


class Reading(Strict):
    """One query and the quantities its comma fields stand for, in order. reply: where they stand, if not alone; units:
    glued to them, one each; count_of: what one count is in our unit; no_reading: further words that stand for none.
    first: told before the question, in the same exchange."""

    ask: Message
    first: tuple[Message, ...] = ()
    gives: Annotated[tuple[str, ...], Field(min_length=1)]
    label: str = ""
    reply: ReplyForm = PLAIN
    units: tuple[Unit, ...] = ()
    count_of: Positive = 1.0
    no_reading: tuple[str, ...] = ()
    bytes: Annotated[int, Field(ge=1, le=255)] | None = None
    samples: Annotated[tuple[ReadingSample, ...], Field(min_length=1)]


class EachSample(Strict):
    """names: of the channels asked for; 101, 102 and so on unless told."""

    reply: str
    names: tuple[str, ...] = ()
    means: Annotated[tuple[float, ...] | tuple[bool, ...], Field(min_length=1)]


class Each(Strict):
    """One query that answers one value per named channel, in the order named ({names} in it); or one for each channel
    ({name} in it). answers: "each", or "those_on" where the reply lists only the channels that are on. names_as: how
    the names are written, in such a list too; none_on: the word that it has for none. reply, unit, count_of,
    no_reading: as for settings and readings, for each value; first: told before the question, in the same exchange
    ({names} may stand there)."""

    ask: Message
    first: tuple[Message, ...] = ()
    kind: Literal["number", "boolean"]
    answers: Literal["each", "those_on"] = "each"
    none_on: Message | None = None
    names_as: Repeated = "channel_list"
    reply: ReplyForm = PLAIN
    unit: Unit = ""
    count_of: Positive = 1.0
    no_reading: tuple[str, ...] = ()
    bytes: Annotated[int, Field(ge=1, le=255)] | None = None
    samples: Annotated[tuple[EachSample, ...], Field(min_length=1)]


class BitsSample(Strict):
    reply: str
    means: tuple[str, ...]


class Status(Strict):
    """A register. bits: meaning -> bit number. latched: set since last read and cleared by reading. low: meanings that
    hold while their bit is 0. reply: where its number stands, `byte` if it comes as one raw byte; hexadecimal: the
    base that it is written in."""

    ask: Message
    latched: bool
    low: tuple[str, ...] = ()
    reply: ReplyForm = PLAIN
    byte: bool = False
    hexadecimal: bool = False
    bits: Annotated[dict[str, Annotated[int, Field(ge=0, le=31)]], Field(min_length=1)]
    samples: Annotated[tuple[BitsSample, ...], Field(min_length=1)]


class Completion(Strict):
    """How it is known that the digitiser is armed, and that it is done. reply: where the state stands.

    state_word: the state is asked until it is at rest; since some show rest before they have started too,
    counter_ask names a count of complete captures that must have grown. blocking_query: done_ask answers only when
    the capture is complete. event_bit: state_ask answers a number that reading clears; bits: state -> bit number.
    A state `done` that no halted instrument shows needs no count.
    """

    kind: Literal["state_word", "blocking_query", "event_bit"]
    state_ask: Message
    states: dict[str, Messages] = Field(default_factory=dict)
    bits: dict[str, Annotated[int, Field(ge=0, le=31)]] = Field(default_factory=dict)
    reply: ReplyForm = PLAIN
    counter_ask: Message | None = None
    done_ask: Message | None = None
    done_is: str = "1"
    poll_s: Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)] = 0.002
    armed_within_s: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)] = 1.0

    @property
    def state_when_done(self) -> str:
        return "done" if "done" in self.states else "rest"


class Expect(Strict):
    field: Place
    reads: str


class Term(Strict):
    """A number of the formula that does not stand in the preamble: asked for by itself, or the same always (value).
    reply, unit, count_of: as for settings. take: the number itself, its reciprocal (a rate for an interval), or less
    than nought (a time before the trigger told as a positive number)."""

    ask: Message | None = None
    value: Finite | None = None
    reply: ReplyForm = PLAIN
    unit: Unit = ""
    count_of: Positive = 1.0
    take: Literal["itself", "reciprocal", "negative"] = "itself"


class TraceSample(Strict):
    """A preamble, the terms it must parse to, and one code with the volts it stands for. asked: term -> reply to its
    own question."""

    reply: str = ""
    asked: dict[str, str] = Field(default_factory=dict)
    means: Annotated[dict[str, float], Field(min_length=1)]
    code: int
    volts: Finite


class PiecesSample(Strict):
    """blocks: each as hexadecimal digits, from its # on; codes: the samples that all of them make."""

    blocks: Annotated[tuple[str, ...], Field(min_length=2)]
    codes: Annotated[tuple[float, ...], Field(min_length=1)]


class Pieces(Strict):
    """The record may come in several blocks, each of definite length: block_ask asks for the first one, next_ask for
    each one after it until all samples are there. A short record may come in one."""

    next_ask: Message
    samples: Annotated[tuple[PiecesSample, ...], Field(min_length=1)]


class Trace(Strict):
    """Samples of one input.

    source_ask, source_reads: what proves that the input is the chosen one. fields: term -> place in the preamble
    (trigger_at: number of the sample at the trigger, for start_s). expect: fields that must read so, or the data have
    another form than this file believes. The converter's codes sit at the top of the word. Without preamble_ask all
    terms are asked for one by one. block_prefix: what stands before the `#` of the block. half_codes: from the centre
    to the end of the range, if not half the word. block_end: a line end follows the block. pieces: blocks after the
    first. f32: volts as floating-point numbers, with the formula `volts`.
    """

    send: tuple[Message, ...] = ()
    source_ask: Message | None = None
    source_reads: Message | None = None
    preamble_ask: Message | None = None
    separator: Literal[",", ";"] = ","
    field_count: Annotated[int, Field(ge=3, le=64)] | None = None
    fields: dict[str, Place] = Field(default_factory=dict)
    terms: dict[str, Term] = Field(default_factory=dict)
    expect: tuple[Expect, ...] = ()
    formula: str
    block_ask: Message
    element: Literal["u16", "i16", "u8", "i8", "f32"]
    order: Literal["little", "big"] = "little"
    block_prefix: Annotated[str, Field(max_length=40, pattern=r"^[\x20-\x7e]*$")] = ""
    block_end: bool = True
    half_codes: Annotated[int, Field(ge=16, le=32768)] | None = None
    pieces: Pieces | None = None
    samples: Annotated[tuple[TraceSample, ...], Field(min_length=1)]


class RelayWordSample(Strict):
    """means: the contacts that are on."""

    reply: str
    means: tuple[str, ...]


class RelayWord(Strict):
    """Relays that are the bits of one output word: each change reads the word, alters its own bits and writes it back.
    bits: contact -> bit number. inverted: a relay is on where its bit is 0. Bits that no contact has stay as they are.
    """

    ask: Message
    send: Messages
    bits: Annotated[dict[str, Annotated[int, Field(ge=0, le=51)]], Field(min_length=1)]
    inverted: bool = False
    wait_s: Rest = 0.0
    reply: ReplyForm = PLAIN
    bytes: Annotated[int, Field(ge=1, le=255)] | None = None
    samples: Annotated[tuple[RelayWordSample, ...], Field(min_length=2)]


class MakeSafe(Strict):
    """Lines harmless in any state, sent without waiting for replies."""

    send: tuple[Message, ...] = ()


class DialectFile(Strict):
    """The whole file. absent: settings the instrument does not have (said, not merely forgotten). codec: a Python file
    beside this one, for bytes that nothing here can describe."""

    format: Literal[1]
    role: Literal["generator", "digitiser", "supply", "load_switch", "thermometer", "meter", "interlock", "cut_off"]
    title: Annotated[str, Field(min_length=1, max_length=200)]
    provenance: Annotated[str, Field(min_length=1, max_length=500)]
    absent: tuple[str, ...] = ()
    codec: str | None = None
    codec_sample: tuple[CodecSample, ...] = ()
    link: Link = Link()
    identity: Identity | None = None
    errors: Errors | None = None
    setting: dict[str, Setting] = Field(default_factory=dict)
    act: dict[str, Act] = Field(default_factory=dict)
    reading: dict[str, Annotated[tuple[Reading, ...], Field(min_length=1)]] = Field(default_factory=dict)
    each: dict[str, Each] = Field(default_factory=dict)
    status: tuple[Status, ...] = ()
    completion: Completion | None = None
    trace: Trace | None = None
    relay_word: RelayWord | None = None
    facts: Facts = Facts()
    make_safe: MakeSafe = MakeSafe()
