"""What a publisher hears from consumers, and live readings, at a broker on paper. Truths: as there."""

from __future__ import annotations

import asyncio
import json
from typing import Any

import pytest

from sequencer.clock import RealClock
from sequencer.publish.broker_url import Broker
from sequencer.publish.live import ReadingsTold, any_told
from sequencer.publish.publisher import Publisher
from sequencer.publish.sender import Sender
from tests.sequencer.hostile import COMMAND, RECEIVED, many
from tests.sequencer.paper_broker import PaperBroker, Publish
from tests.sequencer.paper_outbox import (
    LEDGER,
    LIMIT_S,
    STAMP,
    ListOutbox,
    publisher,
    rows,
    statuses,
    to_the_end,
    until,
)

pytestmark = pytest.mark.process  # on the real clock


def of_kind(broker: PaperBroker, kind: str) -> list[Publish]:
    return [one for one in broker.publishes if one.topic == f"nightramp/1/b/{kind}"]


def later(body: dict[str, Any], **other: Any) -> bytes:
    """With an expiry that today has not passed."""
    return json.dumps(body | other | ({"expires": "2999-01-01T00:00:00Z"} if "expires" in body else {})).encode()


async def test_what_a_consumer_confirms_is_marked_and_waited_for_at_the_end() -> None:
    outbox = ListOutbox(9)
    async with PaperBroker() as broker:
        broker.says = [[("nightramp/1/b/received", later(RECEIVED))]]
        one = publisher(broker, outbox, [])
        task = asyncio.create_task(one.run())
        await until(lambda: len(rows(broker)) == 9)
        await until(lambda: len(outbox.confirmed) > 0)
        one.finish("finished", "made safe, confirmed")
        async with asyncio.timeout(LIMIT_S):
            await task
    assert broker.subscribed == ["nightramp/1/b/received", "nightramp/1/b/command"]
    assert set(outbox.confirmed) <= set(range(1, 10))
    assert statuses(broker)[-1]["told_to"] == 9
    assert all(json.loads(p.payload)["ledger"] == LEDGER for p in broker.publishes)


async def test_what_is_asked_for_is_said_again_once_and_never_retained() -> None:
    """The command comes twice, as QoS 1 allows (4.3.2): it is done once."""
    outbox = ListOutbox(12)
    async with PaperBroker() as broker:
        one = publisher(broker, outbox, [])
        asked = later(COMMAND, first_seq=3, last_seq=5)
        broker.says = [[("nightramp/1/b/command", asked), ("nightramp/1/b/command", asked)]]
        outbox.count = 12
        task = asyncio.create_task(one.run())
        await until(lambda: len(rows(broker)) >= 12 and len(of_kind(broker, "reply")) == 1)
        one.finish("finished", "made safe, confirmed")
        async with asyncio.timeout(LIMIT_S):
            await task
    (reply,) = of_kind(broker, "reply")
    assert any_told(json.loads(reply.payload)).model_dump()["outcome"] == "done"
    told = rows(broker)
    assert set(told) == set(range(1, 13))
    # asked before they were told: nothing to repeat; after: each once more
    assert sorted(n for n in range(1, 13) if told.count(n) > 1) in ([], [3, 4, 5], [3, 4], [3])
    assert not any(p.retain for p in of_kind(broker, "point"))


async def test_what_a_process_before_has_sent_is_said_again_and_told_to_be_there() -> None:
    """Between two nights nothing waits, and the feed is a new one: whoever lost the last messages asks it."""
    outbox = ListOutbox(12, marked=list(range(1, 13)))
    async with PaperBroker() as broker:
        broker.says = [[("nightramp/1/b/command", later(COMMAND, first_seq=11, last_seq=20))]]
        task = asyncio.create_task(publisher(broker, outbox, []).run())
        await until(lambda: len(rows(broker)) >= 2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert rows(broker) == [11, 12]
    assert statuses(broker)[0]["told_to"] == 12


async def test_thousands_of_hostile_messages_confirm_nothing_and_stop_nothing() -> None:
    outbox, said = ListOutbox(30), list[str]()
    topics = {kind: f"nightramp/1/b/{kind}" for kind in ("received", "command")}
    async with PaperBroker() as broker:
        broker.says = [[(topics[kind], text) for kind in topics for text in many(kind, 500, 3)]]
        await to_the_end(publisher(broker, outbox, said))
    assert rows(broker) == list(range(1, 31))
    assert outbox.confirmed == []
    assert of_kind(broker, "reply") == []
    assert said == []


async def test_readings_are_told_at_most_once_a_second_and_the_latest_of_them() -> None:
    async with PaperBroker() as broker:
        one = publisher(broker, ListOutbox(1), [])
        task = asyncio.create_task(one.run())
        await until(lambda: rows(broker) == [1])
        began_s = asyncio.get_running_loop().time()
        number = 0
        while len(of_kind(broker, "readings")) < 3:
            number += 1
            one.reading({"supply_v": 24.0 + number, "supply_a": 1.0, "heatsink_c": {"A": 30.0}, "driven": False})
            await asyncio.sleep(0.01)
        lasted_s = asyncio.get_running_loop().time() - began_s
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    told = [ReadingsTold.model_validate_json(p.payload) for p in of_kind(broker, "readings")]
    assert lasted_s >= 2.0
    assert {p.qos for p in of_kind(broker, "readings")} == {0}
    assert [one.supply_v for one in told] == sorted(one.supply_v for one in told)
    assert told[-1].supply_v > 24.0 + 3  # most were dropped
    assert (told[0].seq, told[0].ledger) == (0, LEDGER)


async def test_a_broker_that_never_takes_readings_holds_nobody_up() -> None:
    """`reading` is called on the night's own loop: it returns whether or not there is a broker."""
    one = Publisher(
        Sender(Broker("127.0.0.1", 1), "b", "nightramp01", lambda: STAMP), ListOutbox(1), RealClock(), print
    )
    for _ in range(10_000):
        one.reading({"supply_v": 24.0, "supply_a": 1.0})
