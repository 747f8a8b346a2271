"""What consumers say to a publisher: what they have, what they want again, and whatever else somebody commands.

No await but the handler's: it is called between two messages of the broker. Whatever comes in is of strangers: what
is no message of ours has no effect, what is one has a bounded one.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from datetime import datetime
from typing import Any, Literal

from sequencer.publish.live import Command, Received, heard, reply_body
from sequencer.publish.spans import Span, joined

AGAIN_AT_ONCE = 500  # messages, per request
AGAIN_WAITING = 20  # requests
MOST_SPANS = 2000
REMEMBERED = 1000

Outcome = tuple[Literal["done", "refused"], str]
OnCommand = Callable[[Command], Awaitable[Outcome]]


class Consumers:
    """One for a feed. on_command: acts on all but "say again"; None: nobody does. now: wall time.

    ledger: whose numbers count, as soon as it is known.
    """

    def __init__(self, now: Callable[[], datetime], on_command: OnCommand | None = None) -> None:
        self._now, self._on_command = now, on_command
        self._spans: list[Span] = []
        self._again: deque[Span] = deque()
        self._known: deque[str] = deque(maxlen=REMEMBERED)
        self.ledger: str | None = None
        self.words = 0  # of consumers, that meant something: whoever confirms is waited for

    def received(self, payload: bytes) -> bool:
        """Takes note of a confirmation; whether it was one of this ledger."""
        said = heard(Received, payload)
        if said is None or said.ledger != self.ledger or not said.spans():
            return False
        self._spans = joined([*self._spans, *said.spans()])[:MOST_SPANS]
        self.words += 1
        return True

    async def command(self, payload: bytes) -> dict[str, Any] | None:
        """Does what is commanded; the own part of the reply, None where there is nothing to reply to."""
        said = heard(Command, payload)
        if said is None or said.id in self._known:
            return None
        self._known.append(said.id)
        return reply_body(said, *await self._outcome(said))

    async def _outcome(self, said: Command) -> Outcome:
        if said.has_expired(self._now()):
            return "refused", "it had expired; send it again with a later time"
        if said.kind == "say again":
            return self._say_again(said)
        if self._on_command is None:
            return "refused", f"nobody here acts on {said.kind!r}"
        return await self._on_command(said)

    def _say_again(self, said: Command) -> Outcome:
        first, last = said.first_seq or 1, said.last_seq or 1
        if said.ledger != self.ledger:
            return "refused", f"that ledger is not told here; this one is {self.ledger}"
        if last < first:
            return "refused", "last_seq comes before first_seq"
        if len(self._again) >= AGAIN_WAITING:
            return "refused", "too much is being said again already; ask later"
        until = min(last, first + AGAIN_AT_ONCE - 1)
        self._again.append((first, until))
        self.words += 1
        return "done", f"{first} to {until} are said again, as far as they are kept" + (
            f"; ask for {until + 1} and on anew" if until < last else ""
        )

    def take_again(self) -> Span | None:
        """The next span to be said again."""
        return self._again.popleft() if self._again else None

    def take_spans(self) -> list[Span]:
        """What was confirmed since this was last asked."""
        spans, self._spans = self._spans, []
        return spans

    def put_back(self, spans: Sequence[Span]) -> None:
        """They could not be marked."""
        self._spans = joined([*spans, *self._spans])[:MOST_SPANS]
