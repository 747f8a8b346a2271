"""What a role needs of the link below it: tell, ask, ask for a block; and how a link is greeted when opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

from drivers.timing import Clock


@dataclass(frozen=True)
class Greeting:
    """Sent each time a link is opened or reopened, before anything else, in this order.

    opening: told first (headers off, remote on). identity_ask: asked, and the reply must begin with
    identity_begins ("" accepts any non-empty reply). clear: told next ("" if there is none). error_ask: asked
    until the reply parses to the number 0, at most error_cap times ("" if the instrument has no queue).
    """

    opening: tuple[str, ...] = ()
    identity_ask: str = "*IDN?"
    identity_begins: str = ""
    clear: str = "*CLS"
    error_ask: str = "SYST:ERR?"
    error_cap: int = 20


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
