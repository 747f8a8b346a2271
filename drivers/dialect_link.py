"""The tables of a dialect file that speak of the link, the greeting and a codec. Pure."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from drivers.dialect_base import Message, Rest, Strict
from drivers.reply_forms import PLAIN, ReplyForm

Hexadecimal = Annotated[str, Field(pattern=r"^([0-9A-Fa-f]{2} ?)*$")]


End = Literal["\n", "\r\n", "\r", "\n\r", ";", "\x00", "\x03", ""]


class SerialSettings(Strict):
    """Of a serial line, where the address is one (ASRL); the bench file may say others. baud: bits per second; bits:
    per character; flow: who may hold the other side up."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "odd", "even", "mark", "space"] = "none"
    stop_bits: Annotated[float, Field(ge=1, le=2, multiple_of=0.5)] = 1.0
    flow: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"


class Link(Strict):
    """How messages end, how long a reply may take, what is told first on each new connection.

    read_end: what ends a reply; "" where nothing does: then a reply ends after the number of bytes its question says,
    else after silence_s without a byte. prompt: text that follows the end of each answer. echo: each message comes back
    as a line of its own before the answer. acknowledge: what answers a message that is told ("": only echo or prompt
    come back). gap_s: least time from one message to the next. select: told before every message of the role, where the
    instrument keeps "the channel spoken to" in itself. plain_questions: its questions bear no question mark.
    """

    write_end: End = "\n"
    read_end: End = "\n"
    prompt: Annotated[str, Field(max_length=8, pattern=r"^[\x20-\x7e]*$")] = ""
    silence_s: Annotated[float, Field(gt=0, le=1, allow_inf_nan=False)] | None = None
    gap_s: Rest = 0.0
    echo: bool = False
    acknowledge: Annotated[str, Field(max_length=40, pattern=r"^[\x20-\x7e]*$")] | None = None
    select: tuple[Message, ...] = ()
    plain_questions: bool = False
    reply_within_s: Annotated[float, Field(gt=0, le=60, allow_inf_nan=False)] = 2.0
    opening: tuple[Message, ...] = ()
    clear: str = "*CLS"
    serial_line: SerialSettings = SerialSettings()


class Identity(Strict):
    """ask: the question. begins: what the reply must begin with (the bench file may be stricter). bytes: how many the
    reply has, where nothing ends it."""

    ask: Message = "*IDN?"
    bytes: Annotated[int, Field(ge=1, le=255)] | None = None
    begins: Annotated[str, Field(min_length=1)]


class Errors(Strict):
    """The error queue. reply: where the number stands, if not at the front. settings_refused: numbers that mean a
    setting did not take; header_unknown: that the instrument does not know the command at all; not_fired: that a
    trigger was ignored. words: numbers for an instrument that answers words alone; a text that is not among them counts
    as DEVICE_ERROR."""

    ask: Message = "SYST:ERR?"
    empty_if: int = 0
    words: dict[str, int] = Field(default_factory=dict)
    read_at_most: Annotated[int, Field(ge=1, le=100)] = 20
    settings_refused: tuple[int, ...] = (-221, -222, -224)
    header_unknown: tuple[int, ...] = (-113,)
    not_fired: tuple[int, ...] = (-211,)
    reply: ReplyForm = PLAIN


class CodecSample(Strict):
    """One exchange of a codec. sent, reply: bytes as pairs of hexadecimal digits; means: the text that comes of it."""

    message: Message
    sent: Hexadecimal
    reply: Hexadecimal | None = None
    means: str | None = None
