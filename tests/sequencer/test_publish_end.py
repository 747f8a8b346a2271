"""How the publisher's task ends where a client turns a cancel into its own error, as `asyncio.wait_for` of Python 3.11
may (https://docs.python.org/3.12/library/asyncio-task.html tells of its changed cancellation)."""

from __future__ import annotations

import asyncio
from types import TracebackType

import aiomqtt
import pytest

from sequencer.clock import RealClock
from sequencer.publish import publisher as module
from sequencer.publish.broker_url import Broker
from sequencer.publish.publisher import Publisher
from sequencer.publish.sender import Sender
from tests.sequencer.paper_outbox import STAMP, ListOutbox

pytestmark = pytest.mark.process  # on the real clock


class SwallowingClient:
    """Never connects; a cancel while it tries comes out as an error of its own."""

    tries = 0

    async def __aenter__(self) -> aiomqtt.Client:
        type(self).tries += 1
        try:
            await asyncio.Event().wait()
        except asyncio.CancelledError:
            raise aiomqtt.MqttError("Operation timed out") from None
        raise AssertionError("nothing sets that event")

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, tb: TracebackType | None
    ) -> None: ...


async def trying(monkeypatch: pytest.MonkeyPatch) -> tuple[Publisher, asyncio.Task[None]]:
    """A publisher whose client is at its first try."""
    SwallowingClient.tries = 0
    monkeypatch.setattr(module, "client_of", lambda *_: SwallowingClient())
    sender = Sender(Broker("127.0.0.1", 1), "b", "n1", lambda: STAMP)
    one = Publisher(sender, ListOutbox(3), RealClock(), lambda _: None)
    task = asyncio.create_task(one.run())
    while not SwallowingClient.tries:  # noqa: ASYNC110 (what is waited for sets no event)
        await asyncio.sleep(0.005)
    return one, task


async def test_a_cancel_that_a_client_swallows_still_ends_the_publisher(monkeypatch: pytest.MonkeyPatch) -> None:
    one, task = await trying(monkeypatch)
    one.finish("finished", "made safe, confirmed")
    one.give_up()
    task.cancel()
    done, _ = await asyncio.wait((task,), timeout=5.0)
    assert done, "it went on trying"
    assert SwallowingClient.tries == 1


async def test_a_swallowed_cancel_alone_would_not_end_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Why it has to be told: the same without `give_up` tries again."""
    one, task = await trying(monkeypatch)
    one.finish("finished", "made safe, confirmed")
    task.cancel()
    async with asyncio.timeout(5.0):
        while SwallowingClient.tries < 2:  # noqa: ASYNC110 (as above)
            await asyncio.sleep(0.005)
    one.give_up()
    task.cancel()
    await asyncio.wait((task,), timeout=5.0)
    assert task.done()
