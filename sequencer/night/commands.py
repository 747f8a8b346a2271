"""What is done of what somebody wants over MQTT or on a page, where that is allowed at all. Whatever is refused
changes nothing.

stop: as the first signal · make safe: as two signals · hold, go on, queue: of a daemon's queue · answer: to a question
that is open. While a trip is latched only make safe is done: a person must look at the bench.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Protocol

from sequencer.clock import RealClock
from sequencer.night.questions import Outcome, Questions
from sequencer.night.supervise import hear_stop
from sequencer.publish.live import Command

REMEMBERED = 5000
LATCHED = "a trip is latched: only make safe is done from afar, the rest wants a person at the bench"
NO_QUEUE = "this is a single night: only `serve` has a queue"


class QueueActs(Protocol):
    """What may be done with a queue; each returns what became of it, and raises nothing."""

    async def hold(self) -> Outcome: ...
    async def go_on(self) -> Outcome: ...
    async def add(self, what: str) -> Outcome:
        """what: PLAN UNIT[@BAY] [LABEL]."""


@dataclass
class Acts:
    """is_tripped: a trip is latched now. questions: those that are asked, if anybody asks."""

    is_tripped: Callable[[], bool]
    queue: QueueActs | None = None
    questions: Questions | None = None
    stop: Callable[[int], None] = hear_stop


class Commands:
    """`await commands(said)`: what became of it. The same id again has the same reply and no second effect."""

    def __init__(self, acts: Acts, said: Callable[[str], None], whence: str = "over MQTT") -> None:
        self.acts, self._said, self._whence = acts, said, whence
        self._done: OrderedDict[str, Outcome] = OrderedDict()

    def belongs_to(self, is_tripped: Callable[[], bool], tell: Callable[[Mapping[str, Any]], None]) -> None:
        """The night that is under way now."""
        self.acts.is_tripped = is_tripped
        if self.acts.questions is not None:
            self.acts.questions.tell = tell

    async def __call__(self, said: Command) -> Outcome:
        if said.id in self._done:
            return self._done[said.id]
        outcome = await self._act(said)
        self._done[said.id] = outcome
        while len(self._done) > REMEMBERED:
            self._done.popitem(last=False)
        self._said(f"command {said.kind!r} {self._whence}: {outcome[0]}: {outcome[1]}")
        return outcome

    async def _act(self, said: Command) -> Outcome:
        acts = self.acts
        if said.kind == "make safe":
            acts.stop(2)
            return "done", "signal and supply go off at once; nothing goes on by itself"
        if acts.is_tripped():
            return "refused", LATCHED
        if said.kind == "stop":
            acts.stop(1)
            return "done", "it ends, and the bench is made safe in its order; nothing goes on by itself"
        if said.kind == "answer":
            if acts.questions is None:
                return "refused", "nobody asks anything here"
            return acts.questions.answer(said.to or "", said.answer or "")
        if acts.queue is None:
            return "refused", NO_QUEUE
        queued: dict[str, Callable[[], Awaitable[Outcome]]] = {"hold": acts.queue.hold, "go on": acts.queue.go_on}
        if said.kind in queued:
            return await queued[said.kind]()
        return await acts.queue.add(said.what or "")


def single_night(said: Callable[[str], None]) -> Commands:
    """Of a night without a queue, on the real clock."""
    return Commands(Acts(lambda: False, questions=Questions(RealClock(), wall)), said)


def wall() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 (questions and commands end by the wall clock)
