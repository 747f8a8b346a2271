"""An outbox in memory, a publisher that tells it to a broker on paper, and what arrived."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.clock import RealClock
from sequencer.errors import Fault
from sequencer.ledger.outbox import Outgoing
from sequencer.publish.broker_url import Broker
from sequencer.publish.publisher import Publisher
from sequencer.publish.sender import Sender
from tests.sequencer.paper_broker import PaperBroker

LIMIT_S = 20.0
LEDGER = "0a1b2c3d4e5f"
STAMP = "2026-01-05T22:00:00.000+00:00"


@dataclass
class ListOutbox:
    """An outbox in memory. `broken`: marks fail as they do on a full disk. mark_s: how long they take."""

    count: int
    broken: bool = False
    mark_s: float = 0.0
    marked: list[int] = field(default_factory=list)
    confirmed: list[int] = field(default_factory=list)

    async def pending(self, after: int, limit: int) -> Sequence[Outgoing]:
        numbers = [n for n in range(after + 1, self.count + 1) if n not in self.marked]
        return [self._message(n) for n in numbers][:limit]

    def _message(self, number: int) -> Outgoing:
        return Outgoing(number, f"r-{number}", "nightramp/1/b/point", f'{{"seq":{number}}}', False, "pending")

    async def mark_sent(self, seqs: Sequence[int]) -> None:
        if self.broken:
            raise Fault("no room left")
        await asyncio.sleep(self.mark_s)
        self.marked += seqs

    async def confirm(self, spans: Sequence[tuple[int, int]], published: int) -> None:
        self.confirmed += [n for n in range(1, published + 1) if any(first <= n <= last for first, last in spans)]

    async def between(self, first: int, last: int, limit: int) -> Sequence[Outgoing]:
        return [self._message(n) for n in range(first, min(last, self.count) + 1)][:limit]

    async def unconfirmed(self) -> int:
        return self.count - len(set(self.confirmed))

    async def sent_to(self) -> int:
        return max(self.marked, default=0)

    async def identity(self) -> str:
        return LEDGER


def publisher(broker: PaperBroker, outbox: ListOutbox, said: list[str], port: int | None = None) -> Publisher:
    where = Broker("127.0.0.1", port or broker.port, user="reader", password="tr0mbone")
    return Publisher(Sender(where, "b", "nightramp01", lambda: STAMP), outbox, RealClock(), said.append)


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(LIMIT_S):
        while not true():  # noqa: ASYNC110 (what is waited for sets no event)
            await asyncio.sleep(0.005)


async def to_the_end(one: Publisher) -> None:
    one.finish("finished", "made safe, confirmed")
    async with asyncio.timeout(LIMIT_S):
        await one.run()


def rows(broker: PaperBroker) -> list[int]:
    """Numbers of the rows of the outbox, as they came; live statuses carry 0."""
    return [seq for one in broker.publishes if (seq := json.loads(one.payload)["seq"])]


def statuses(broker: PaperBroker) -> list[dict[str, Any]]:
    return [body for one in broker.publishes if not (body := json.loads(one.payload))["seq"]]
