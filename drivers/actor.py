"""One instrument's link with its queue: one task, urgent requests first, a deadline on each, a clean link after
any fault.

After a time-out, a garbled reply or a broken connection the link is torn down at once. Before the next request it
is reopened and greeted: so a late reply can't answer the next question, its connection is dead. Only the request
that failed raises; nothing is retried.

What is told urgently goes out before the greeting too: an instrument that takes commands and no longer answers would
else stay on.
"""

from __future__ import annotations

import asyncio
import contextlib
import heapq
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar

from drivers.errors import BrokenOff, GarbledReply, LinkTimeout, WrongIdentity
from drivers.link import Link, LinkModel
from drivers.speaker import Greeting, Line
from drivers.timing import Clock

T = TypeVar("T")

URGENT, NORMAL = 0, 1


@dataclass(order=True)
class _Request:
    """`stage`: queued, running (may be broken off), ending (its tear-down or result is under way). blind: messages
    that need no answer, and may go to an instrument that gives none. first: the message it begins with.
    """

    priority: int
    number: int
    act: Callable[[], Awaitable[Any]] = field(compare=False)
    within_s: float = field(compare=False)
    result: asyncio.Future[Any] = field(compare=False)
    what: str = field(compare=False)
    stage: str = field(default="queued", compare=False)
    blind: tuple[str, ...] = field(default=(), compare=False)
    first: str = field(default="", compare=False)


class Actor:
    """Implements Speaker over one link. Needs a running loop at the first request; `close` it at the end.

    The deadline of a request runs from the moment its turn comes, on the clock handed in, and covers the exchange
    and the reopening and greeting that may have to come first; waiting in the queue is not counted.
    """

    def __init__(self, model: LinkModel, greeting: Greeting, clock: Clock, link: Link | None = None) -> None:
        self.model, self._greeting, self._clock = model, greeting, clock
        self._link = link or Link(model, clock)
        self._queue: list[_Request] = []
        self._numbers = 0
        self._work = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._current: _Request | None = None
        self._closed = False
        self._torn_down = False
        self._spoken_ns: int | None = None
        self.openings = 0
        self.identity = ""
        self.drained: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        return self.model.name

    @property
    def clock(self) -> Clock:
        return self._clock

    @property
    def link(self) -> Link:
        """For reading socket options back."""
        return self._link

    async def open(self, *, within_s: float | None = None) -> None:
        """Open and greet now instead of at the first request."""
        await self._request(self._nothing, "opening", within_s, NORMAL)

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        """Each message is one exchange; the deadline is for all of them."""

        async def act() -> None:
            for message in messages:
                await self._tell_now(message)

        priority, blind = (URGENT, messages) if urgent else (NORMAL, ())
        await self._request(act, "; ".join(messages), within_s, priority, blind, first=first_of(*messages))

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        limit_s = self._limit_s(within_s)
        act = lambda: self._ask_now(message, limit_s)  # noqa: E731 (a closure over the limit)
        priority = URGENT if urgent else NORMAL
        return str(await self._request(act, message, within_s, priority, first=first_of(message)))

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        limit_s = self._limit_s(within_s)

        async def act() -> bytes:
            await self._before(message)
            payload = await self._link.query_block(message, most_bytes, limit_s)
            self._spoken_ns = self._clock.now_ns()
            return payload

        return bytes(await self._request(act, message, within_s, NORMAL, first=first_of(message)))

    def break_in_flight(self) -> None:
        """End the exchange that is running, if any: its caller gets BrokenOff, the link is torn down and reopened."""
        if self._current is not None and self._current.stage == "running" and self._task is not None:
            self._current.stage = "broken"
            self._task.cancel()

    async def close(self) -> None:
        """End the link and its thread. What runs or waits raises BrokenOff. May be called again, and at any time."""
        self._closed = True
        task, self._task = self._task, None
        if task is None:
            return
        self._work.set()
        if self._current is None or self._current.stage == "running":  # else a tear-down is under way: let it end
            task.cancel()
        await asyncio.wait((task,))
        self._fail_all()  # a task cancelled before its first breath has not done so itself

    # Requests

    async def _request(
        self,
        act: Callable[[], Awaitable[T]],
        what: str,
        within_s: float | None,
        priority: int,
        blind: tuple[str, ...] = (),
        *,
        first: str = "",
    ) -> T:
        if self._closed:
            raise BrokenOff(self.name, f"the link has been closed; not sent: {what}")
        loop = asyncio.get_running_loop()
        if self._task is None:
            self._task = loop.create_task(self._serve(), name=f"actor {self.name}")
        self._numbers += 1
        limit_s, result = self._limit_s(within_s), loop.create_future()
        request = _Request(priority, self._numbers, act, limit_s, result, what, blind=blind, first=first)
        heapq.heappush(self._queue, request)
        self._work.set()
        try:
            return await request.result  # type: ignore[no-any-return]
        except asyncio.CancelledError:
            self._withdraw(request)
            raise

    def _limit_s(self, within_s: float | None) -> float:
        return self.model.within_s if within_s is None else within_s

    def _withdraw(self, request: _Request) -> None:
        """Its caller was cancelled: a queued request is not sent; one that runs leaves the link in an unknown
        state."""
        if request is self._current:
            self.break_in_flight()
        elif request in self._queue:
            self._queue.remove(request)
            heapq.heapify(self._queue)

    async def _serve(self) -> None:
        try:
            while not self._closed:
                if not self._queue:
                    self._work.clear()
                    await self._work.wait()
                    continue
                self._current = await self._in_order() if self._link.has_order else heapq.heappop(self._queue)
                await self._carry_out(self._current)
                self._current = None
        finally:
            self._fail_all()
            await self._link.break_off()

    async def _in_order(self) -> _Request:
        """Where the link knows what comes next: the first that begins so, if one comes while it has patience."""
        while True:
            found = next((one for one in sorted(self._queue) if self._link.is_next(one.first)), None)
            if found is None and self._queue and self._link.patience_s() <= 0:
                found = min(self._queue)
            if found is not None:
                self._queue.remove(found)
                heapq.heapify(self._queue)
                return found
            self._work.clear()
            if not self._queue:
                await self._work.wait()
                continue
            with contextlib.suppress(TimeoutError):
                async with self._clock.deadline(max(self._link.patience_s(), 0.0)):
                    await self._work.wait()

    async def _carry_out(self, request: _Request) -> None:
        request.stage = "running"
        try:
            async with self._clock.deadline(request.within_s):
                is_told = await self._make_ready(request.blind)
                value = None if is_told else await request.act()
            if request.stage == "broken":  # broken off in the very moment it was done
                raise asyncio.CancelledError
        except asyncio.CancelledError:
            if request.stage != "broken":
                raise
            await self._tear_down(request)
            _give(request.result, BrokenOff(self.name, f"broken off: {request.what}"))
        except TimeoutError:
            await self._tear_down(request)
            _give(
                request.result,
                LinkTimeout(self.name, f"no answer within {request.within_s:g} s: {request.what}"),
            )
        except Exception as error:
            await self._tear_down(request)
            _give(request.result, error)
        else:
            request.stage = "ending"
            if not request.result.done():
                request.result.set_result(value)

    async def _tear_down(self, request: _Request) -> None:
        task = asyncio.current_task()
        if request.stage == "broken" and task is not None and task.uncancel() > 0:
            self._closed = True  # somebody else cancelled the task too: two cancels arrive as one
        request.stage = "ending"
        self._torn_down = True
        await self._link.break_off()

    def _fail_all(self) -> None:
        current = [self._current] if self._current else []
        for request in current + sorted(self._queue):
            request.stage = "ending"
            _give(request.result, BrokenOff(self.name, f"the link is being closed; not done: {request.what}"))
        self._queue.clear()
        self._current = None

    # Exchanges

    async def _nothing(self) -> None:
        pass

    async def _make_ready(self, blind: tuple[str, ...]) -> bool:
        """Opened and greeted. blind goes out first if this instrument was greeted before, so is the one named; True:
        it did."""
        if self._link.is_open:
            return False
        if self._torn_down:
            await self._clock.sleep(self.model.reopen_pause_s)
        await self._clock.turn()
        await self._link.open()
        first = blind if self.openings else ()
        await self._greet(first)
        self.openings += 1
        return bool(first)

    async def _greet(self, blind: tuple[str, ...]) -> None:
        for message in (*self._greeting.opening, *blind):
            await self._tell_now(message)
        if self._greeting.identity_ask:
            await self._identify()
        if self._greeting.clear:
            await self._tell_now(self._greeting.clear)
        if self._greeting.error_ask:
            await self._drain_errors()

    async def _identify(self) -> None:
        said = await self._ask_now(self._greeting.identity_ask, self.model.within_s)
        if not said or not said.startswith(self._greeting.identity_begins):
            wanted = self._greeting.identity_begins
            raise WrongIdentity(self.name, f"{self.model.address} is {said!r}, wanted {wanted!r}...")
        if self.openings and said != self.identity:
            raise WrongIdentity(self.name, f"{self.model.address} is {said!r} now, it was {self.identity!r} before")
        self.identity = said

    async def _drain_errors(self) -> None:
        drained: list[str] = []
        for _ in range(self._greeting.error_cap):
            reply = await self._ask_now(self._greeting.error_ask, self.model.within_s)
            if self._greeting.error_form.entry(reply, self.name).code == self._greeting.error_empty:
                self.drained = tuple(drained)
                return
            drained.append(reply)
        raise GarbledReply(self.name, f"the error queue is not empty after {self._greeting.error_cap}: {drained[-1]!r}")

    async def _tell_now(self, message: str) -> None:
        await self._turn()
        wanted = self.model.acknowledge
        if wanted is None:
            await self._link.write(message)
        elif (reply := (await self._link.query(message, self.model.within_s, answers=bool(wanted))).strip()) != wanted:
            raise GarbledReply(self.name, f"{message!r} was answered by {reply!r}, not acknowledged by {wanted!r}")
        self._spoken_ns = self._clock.now_ns()
        if isinstance(message, Line) and message.rest_s:
            await self._clock.sleep(message.rest_s)

    async def _ask_now(self, message: str, within_s: float) -> str:
        await self._before(message)
        reply = await self._link.query(message, within_s)
        self._spoken_ns = self._clock.now_ns()
        return reply

    async def _before(self, message: str) -> None:
        """What a question needs told first, in the same exchange; then its turn."""
        for first in message.first if isinstance(message, Line) else ():
            await self._tell_now(first)
        await self._turn()

    async def _turn(self) -> None:
        """The least time since the last message, then the order of everything that happens."""
        if self.model.gap_s and self._spoken_ns is not None:
            await self._clock.sleep_until_ns(self._spoken_ns + round(self.model.gap_s * 1e9))
        await self._clock.turn()


def _give(result: asyncio.Future[Any], error: Exception) -> None:
    if not result.done():
        result.set_exception(error)


def first_of(*messages: str) -> str:
    """The message that goes out first."""
    before = next((one.first for one in messages[:1] if isinstance(one, Line)), ())
    return next(iter((*before, *messages)), "")
