"""What a publisher wants of the outbox it publishes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from sequencer.ledger.outbox import Outgoing
from sequencer.publish.spans import Span


class Outbox(Protocol):
    """Where messages wait. Raises sequencer.errors.Fault where the ledger can't."""

    async def pending(self, after: int, limit: int) -> Sequence[Outgoing]:
        """Messages no broker has, numbered above `after`, in order."""

    async def mark_sent(self, seqs: Sequence[int]) -> None:
        """A broker has these."""

    async def confirm(self, spans: Sequence[Span], published: int) -> None:
        """A consumer has these, both ends included, as far as they were published: before, or up to `published`."""

    async def between(self, first: int, last: int, limit: int) -> Sequence[Outgoing]:
        """Those numbered so that are still kept, in order."""

    async def unconfirmed(self) -> int:
        """How many no consumer has."""

    async def sent_to(self) -> int:
        """The highest number that a broker has, of whichever process; 0: none."""

    async def identity(self) -> str:
        """What tells this outbox's numbers from those of any other."""
