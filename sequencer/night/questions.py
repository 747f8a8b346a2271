"""Questions to whoever is there: at this terminal, over MQTT, on a page; the first answer counts."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from typing import Any, Literal

from drivers.timing import Clock
from sequencer.measurements.requests import Answer, Ask
from sequencer.night.asking import Asking, nobody_there
from sequencer.plan.cost import ANSWER_WITHIN_S

Outcome = tuple[Literal["done", "refused"], str]
Open = tuple[tuple[str, Ask], ...]  # the name of each question that is open, and what it asks


class Questions:
    """An `Asking` whose questions also go to a broker. tell: sends one there, as soon as there is a feed. hears: is
    told what is open, after each change.

    at_terminal: who is asked beside it, None where no person is at one. now: wall time, with its offset.
    """

    def __init__(self, clock: Clock, now: Callable[[], datetime], at_terminal: Asking | None = None) -> None:
        self._clock, self._now, self.at_terminal = clock, now, at_terminal
        self._open: dict[str, tuple[Ask, asyncio.Future[Answer]]] = {}
        self._count = 0
        self.tell: Callable[[Mapping[str, Any]], None] | None = None
        self.hears: Callable[[Open], None] | None = None

    async def __call__(self, ask: Ask) -> Answer:
        """Nothing for 15 min, here and there: as if nobody were there."""
        self._count += 1
        name = f"question-{self._now():%Y%m%dT%H%M%S}-{self._count}"
        answer: asyncio.Future[Answer] = asyncio.get_running_loop().create_future()
        self._open[name] = ask, answer
        self._changed()
        self._tell(name, ask)
        beside = [asyncio.ensure_future(self.at_terminal(ask))] if self.at_terminal else []
        try:
            async with self._clock.deadline(ANSWER_WITHIN_S):
                done, _ = await asyncio.wait((answer, *beside), return_when=asyncio.FIRST_COMPLETED)
                return next(iter(done)).result()
        except TimeoutError:
            return await nobody_there(ask)
        finally:
            del self._open[name]
            self._changed()
            for one in (answer, *beside):
                one.cancel()
            await asyncio.gather(*beside, return_exceptions=True)

    def answer(self, to: str, word: str) -> Outcome:
        """One of the choices, as typed at a terminal; anything else changes nothing."""
        if to not in self._open:
            return "refused", "no such question is open: it was answered, or its time is over"
        ask, answer = self._open[to]
        chosen = word.strip().lower()
        if not ask.accepts(chosen):
            return "refused", f"one of: {ask.answers}"
        if not answer.done():
            answer.set_result(Answer(chosen, by_a_person=True))
        return "done", f"answered: {chosen}"

    def _changed(self) -> None:
        if self.hears is not None:
            self.hears(tuple((name, ask) for name, (ask, _) in self._open.items()))

    def _tell(self, name: str, ask: Ask) -> None:
        if self.tell is None:
            return
        expires = self._now().astimezone(UTC) + timedelta(seconds=ANSWER_WITHIN_S)
        body = {"id": name, "sentence": ask.question, "answers": list(ask.choices) if ask.number is None else []}
        self.tell(body | {"expires": expires.isoformat(timespec="seconds")})
