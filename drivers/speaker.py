"""What a role needs of the link below it: tell, ask, ask for a block; and how a link is greeted when opened."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from drivers.error_text import NUMBERS, ErrorForm
from drivers.timing import Clock


class Line(str):
    """A message with what the link must know of it beside its text.

    first: messages told before a question, in the same exchange. rest_s: rest once it is sent. reply_bytes: length of
    its reply where nothing ends one. raw: its reply is bytes, not text. block_prefix: text before the block that it
    asks for; block_ended: a line end follows it.
    """

    first: tuple[str, ...] = ()
    rest_s: float = 0.0
    reply_bytes: int | None = None
    raw: bool = False
    block_prefix: str = ""
    block_ended: bool = True


def told(messages: Iterable[str], select: tuple[str, ...] = (), rest_s: float = 0.0) -> tuple[str, ...]:
    """Messages to be told, the channel selected first, a rest after each."""
    if not rest_s:
        return (*select, *messages)
    lines = [Line(message) for message in messages]
    for line in lines:
        line.rest_s = rest_s
    return (*select, *lines)


def asked(message: str, select: tuple[str, ...] = (), reply_bytes: int | None = None, *, raw: bool = False) -> str:
    """A question, the channel selected first."""
    if not select and reply_bytes is None and not raw:
        return message
    line = Line(message)
    line.first, line.reply_bytes, line.raw = select, reply_bytes, raw
    return line


@dataclass(frozen=True)
class Greeting:
    """Sent each time a link is opened or reopened, before anything else, in this order.

    opening: told first (headers off, remote on). identity_ask: asked, and the reply must begin with
    identity_begins ("" accepts any non-empty reply); "" asks nothing. clear: told next ("" if there is none).
    error_ask: asked until the reply parses to the number error_empty, at most error_cap times ("" if it has no queue);
    error_form: where the number stands, or words for it.
    """

    opening: tuple[str, ...] = ()
    identity_ask: str = "*IDN?"
    identity_begins: str = ""
    clear: str = "*CLS"
    error_ask: str = "SYST:ERR?"
    error_cap: int = 20
    error_empty: int = 0
    error_form: ErrorForm = NUMBERS


class Speaker(Protocol):
    """One instrument's link as the roles see it. `within_s` is a total deadline on the clock handed in.

    Raises the classes of drivers.errors; after LinkTimeout, GarbledReply or LinkClosed the link has been torn down
    and is reopened and greeted before the next request. `urgent` requests go before all that wait.
    """

    @property
    def name(self) -> str: ...

    @property
    def clock(self) -> Clock: ...

    @property
    def openings(self) -> int:
        """How often the link was opened: if it grew, settings may have been lost meanwhile."""

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None: ...

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str: ...

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        """Payload of one IEEE 488.2 definite-length block, read exactly, with the line end after it."""
