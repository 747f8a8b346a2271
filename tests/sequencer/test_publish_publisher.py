"""The publisher against a broker on paper. Truths: MQTT 3.1.1 (OASIS), clauses named beside each check, from memory;
and what README promises of the outbox.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import stat
from collections.abc import Iterator, Sequence

import pytest

from sequencer.publish.messages import StatusTold
from tests.sequencer.paper_broker import PaperBroker, Publish
from tests.sequencer.paper_outbox import (
    LIMIT_S,
    ListOutbox,
    publisher,
    rows,
    statuses,
    to_the_end,
    until,
)

pytestmark = pytest.mark.process  # on the real clock


async def test_at_most_twenty_are_unacknowledged_and_all_go_in_order() -> None:
    """A broker that acknowledges the oldest only when it has twenty: less of a window and it would never say a word."""

    def oldest_of_twenty(outstanding: Sequence[int]) -> Sequence[int]:
        if len(outstanding) == 1 and not told:  # the status at the beginning
            told.append(1)
            return outstanding
        if len(rows(broker)) >= 100 - 1:
            return outstanding
        return outstanding[:1] if len(outstanding) >= 20 else ()

    told: list[int] = []
    outbox, said = ListOutbox(100), list[str]()
    async with PaperBroker(acks=oldest_of_twenty) as broker:
        await to_the_end(publisher(broker, outbox, said))
    assert broker.most_outstanding == 20
    assert rows(broker) == list(range(1, 101))
    assert sorted(outbox.marked) == list(range(1, 101))
    assert {one.qos for one in broker.publishes} == {1}
    assert said == []


async def test_never_more_than_twenty_even_where_nothing_is_acknowledged() -> None:
    def only_the_status(outstanding: Sequence[int]) -> Sequence[int]:
        return outstanding if not rows(broker) else ()

    async with PaperBroker(acks=only_the_status) as broker:
        task = asyncio.create_task(publisher(broker, ListOutbox(100), []).run())
        await until(lambda: broker.most_outstanding >= 20)
        await asyncio.sleep(0.1)  # a twenty-first would come at once
        seen = rows(broker)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert seen == list(range(1, 21))


async def test_small_packets_leave_at_once() -> None:
    """TCP_NODELAY on our end of the connection, asked of the kernel (Linux, tcp(7))."""
    async with PaperBroker() as broker:
        task = asyncio.create_task(publisher(broker, ListOutbox(1), []).run())
        await until(lambda: rows(broker) == [1])
        found = [one.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) for one in sockets_to(broker.port)]
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert len(found) == 1
    assert all(found)


def sockets_to(port: int) -> Iterator[socket.socket]:
    """This process's own sockets that are connected to a port."""
    for name in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):
            if not stat.S_ISSOCK(os.stat(f"/proc/self/fd/{name}").st_mode):
                continue
        with contextlib.suppress(OSError), socket.socket(fileno=os.dup(int(name))) as one:
            if one.family == socket.AF_INET and one.getpeername()[1] == port:
                yield one


async def test_connect_carries_what_the_standard_wants_and_a_will_of_our_schema() -> None:
    """3.1.2.2: level 4 is 3.1.1. 3.1.3.1: 1 to 23 letters and digits are a name anywhere. 3.1.2.5: the will."""
    async with PaperBroker() as broker:
        await to_the_end(publisher(broker, ListOutbox(1), []))
    (seen,) = broker.connects
    assert (seen.level, seen.clean) == (4, True)
    assert (seen.user, seen.password) == ("reader", "tr0mbone")
    assert 10 <= seen.keepalive_s <= 15
    assert seen.client.isalnum()
    assert 1 <= len(seen.client) <= 23
    assert (seen.will_topic, seen.will_qos, seen.will_retain) == ("nightramp/1/b/status", 1, True)
    will = StatusTold.model_validate_json(seen.will)
    assert (will.state, will.bench, will.seq) == ("offline", "b", 0)


async def test_the_last_word_is_a_retained_status_and_then_goodbye() -> None:
    """3.14: after DISCONNECT a broker drops the will, so the last status is what who comes late will see."""
    async with PaperBroker() as broker:
        await to_the_end(publisher(broker, ListOutbox(3), []))
        await until(lambda: "goodbye" in broker.got)
    last, goodbye = broker.got[-2:]
    assert goodbye == "goodbye"
    assert isinstance(last, Publish)
    assert (last.topic, last.retain, last.qos) == ("nightramp/1/b/status", True, 1)
    assert StatusTold.model_validate_json(last.payload).state == "finished"


async def test_a_cut_connection_sends_again_only_what_was_not_acknowledged() -> None:
    """4.3.2: what was acknowledged the broker owns. The eleventh publish (a status and ten rows) is cut off; the marks
    take longer than the pause before the next connection.
    """
    outbox, said = ListOutbox(30, mark_s=0.7), list[str]()
    async with PaperBroker(cut_after=11) as broker:
        await to_the_end(publisher(broker, outbox, said))
    first = rows(broker)[:10]
    assert first == list(range(1, 11))
    assert rows(broker)[10:] == list(range(10, 31))
    assert sorted(outbox.marked) == list(range(1, 31))
    assert {one.client for one in broker.connects} == {"nightramp01"}
    assert len(broker.connects) == 2
    assert said[-1].endswith("connected")
    assert len(said) == 2
    assert "timed out" not in said[0]  # a loss is seen at once, not at a time-out
    assert not any(one.again for one in broker.publishes)  # a fresh client knows of no earlier try


async def test_what_the_broker_did_not_acknowledge_stays_pending() -> None:
    def all_but_seven(outstanding: Sequence[int]) -> Sequence[int]:
        numbers.update(outstanding)
        return [n for n in outstanding if n != sorted(numbers)[min(7, len(numbers) - 1)] or len(numbers) < 8]

    numbers: set[int] = set()  # of the status and seven rows: the eighth is row 7
    outbox = ListOutbox(12)
    async with PaperBroker(acks=all_but_seven) as broker:
        one = publisher(broker, outbox, [])
        task = asyncio.create_task(one.run())
        await until(lambda: len(outbox.marked) == 11)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert sorted(outbox.marked) == [n for n in range(1, 13) if n != 7]
    assert one.sent == 11


async def test_the_end_waits_for_the_last_marks() -> None:
    """Else the ledger would call pending what the broker has, and it would be sent twice."""
    outbox = ListOutbox(5, mark_s=0.05)
    async with PaperBroker() as broker:
        await to_the_end(publisher(broker, outbox, []))
    assert set(outbox.marked) == {1, 2, 3, 4, 5}


@pytest.mark.parametrize("code", [4, 5])
async def test_a_refused_password_is_named_once_and_never_shown(code: int) -> None:
    """3.2.2.3: return codes 4 (bad user name or password) and 5 (not authorised)."""
    said: list[str] = []
    async with PaperBroker(code=code) as broker:
        one = publisher(broker, ListOutbox(1), said)
        task = asyncio.create_task(one.run())
        await until(lambda: len(broker.connects) >= 3)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    assert len(said) == 1
    assert "check user and password" in said[0]
    assert "tr0mbone" not in said[0]


async def test_a_ledger_that_can_not_mark_is_told_once_and_all_still_goes_out() -> None:
    said: list[str] = []
    async with PaperBroker() as broker:
        await to_the_end(publisher(broker, ListOutbox(40, broken=True), said))
    assert rows(broker) == list(range(1, 41))
    assert [line for line in said if "no room left" in line] == said[:1]


async def test_a_connection_that_goes_for_other_reasons_leaves_offline_behind() -> None:
    """A polite goodbye sends no will (3.14.4), so the publisher says it itself."""
    async with PaperBroker() as broker:
        task = asyncio.create_task(publisher(broker, ListOutbox(2), []).run())
        await until(lambda: len(rows(broker)) == 2)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await until(lambda: "goodbye" in broker.got)
    assert [status["state"] for status in statuses(broker)] == ["at work", "offline"]


async def test_rows_kept_while_connected_follow_by_themselves() -> None:
    outbox = ListOutbox(1)
    async with PaperBroker() as broker:
        one = publisher(broker, outbox, [])
        task = asyncio.create_task(one.run())
        await until(lambda: rows(broker) == [1])
        outbox.count = 3
        await until(lambda: rows(broker) == [1, 2, 3])
        one.finish("stopped", "stopped by a person")
        async with asyncio.timeout(LIMIT_S):
            await task
    assert statuses(broker)[-1]["state"] == "stopped"
