"""Publishes the outbox over MQTT: in the order of seq, marked sent when the broker has it, and never in the way.

Runs as an island on real time in the night's own loop. Nothing flows back from here but marks in the outbox, which
no result reads; whatever a broker does, the worst is that messages stay in the outbox.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import socket
import ssl
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import aiomqtt
from aiomqtt.exceptions import MqttConnectError

from drivers.timing import Clock
from sequencer.ledger.outbox import Outgoing
from sequencer.ledger.plain import row_to_line
from sequencer.publish.backoff import Backoff
from sequencer.publish.broker_url import PASSWORD_VARIABLE, Broker
from sequencer.publish.messages import BenchState, status

WINDOW = 20  # a broker's usual share of unacknowledged messages; more brought nothing when measured
BATCH = 100
KEEPALIVE_S = 12
TIMEOUT_S = 5.0
LOOK_AGAIN_S = 0.2
LONGEST_PAUSE_CLOSING_S = 1.0
FAREWELL_S = 1.0
# 134, 135: bad user name or password, not authorised; 3.1.1's own codes 4 and 5 are translated to these.
REFUSED_CODES = (134, 135)
QUIET = logging.getLogger("nightramp.mqtt")
QUIET.setLevel(logging.CRITICAL)  # what matters of a broker is said by us, once


class Outbox(Protocol):
    """Where messages wait. Raises sequencer.errors.Fault where the ledger can't."""

    async def pending(self, after: int, limit: int) -> Sequence[Outgoing]:
        """Messages no broker has, numbered above `after`, in order."""

    async def mark_sent(self, seqs: Sequence[int]) -> None:
        """A broker has these."""


@dataclass(frozen=True)
class Sender:
    """Who publishes, and where. identifier: the client's, the same for each connection of one night."""

    broker: Broker
    bench: str
    identifier: str
    stamp: Callable[[], str]


class Publisher:
    """`run()` in a task of its own until `finish` was called and all is told; what goes wrong is said, never raised."""

    def __init__(self, sender: Sender, outbox: Outbox, clock: Clock, say: Callable[[str], None]) -> None:
        """clock: a real one, whatever the night runs on."""
        self._sender, self._outbox, self._clock, self._say = sender, outbox, clock, say
        self._state: tuple[BenchState, str] = ("at work", "a night is under way")
        self._closing, self._told = asyncio.Event(), False
        self._acked: list[int] = []
        self._news, self._marking = asyncio.Event(), asyncio.Lock()
        self._backoff, self._chance = Backoff(), random.Random()
        self._complaints: set[str] = set()
        self._down = False
        self._live = 0
        self._tls: ssl.SSLContext | None = None
        self.sent = 0

    async def run(self) -> None:
        """Connects, again and again, until all is told."""
        marks = asyncio.create_task(self._mark_always(), name="marks in the outbox")
        try:
            while not await self._one_connection():
                await self._pause()
        finally:
            marks.cancel()
            await asyncio.gather(marks, return_exceptions=True)
            await self._mark()

    def finish(self, state: BenchState, sentence: str) -> None:
        """The night is over: what waits is told, then this as the last status, then `run` returns."""
        self._state = (state, sentence)
        self._closing.set()

    # --- one connection ---------------------------------------------------------------------------

    async def _one_connection(self) -> bool:
        """To its end; True: all is told and nothing is left to do."""
        try:
            await self._mark()  # or what a broker has already would be sent again
            async with await self._client() as client:
                return await self._tell_all(client)
        except Exception as error:  # whatever it is: a broker never ends a night
            self._complain(error)
            return self._told

    async def _client(self) -> aiomqtt.Client:
        """A fresh one for each connection: a used one would send again by itself what timed out."""
        broker = self._sender.broker
        if broker.tls and self._tls is None:
            self._tls = await asyncio.to_thread(ssl.create_default_context)  # reads files
        return _Client(
            broker.host,
            broker.port,
            username=broker.user,
            password=broker.password,
            tls_context=self._tls,
            identifier=self._sender.identifier,
            protocol=aiomqtt.ProtocolVersion.V311,
            clean_session=True,
            will=self._will(),
            timeout=TIMEOUT_S,
            keepalive=KEEPALIVE_S,
            # or the broker's last acknowledgements wait some 40 ms for ours
            socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
            max_inflight_messages=WINDOW + 1,
            logger=QUIET,
        )

    async def _tell_all(self, client: aiomqtt.Client) -> bool:
        try:
            await self._publish_status(client)
            self._connected_again()
            await self._send_until_told(client)
            await self._publish_status(client)  # once more: the rows may have told an earlier one on its topic
            self._told = True
            return True
        except BaseExceptionGroup as several:
            raise several.exceptions[0] from None
        finally:
            if not self._told:
                await self._farewell(client)

    async def _send_until_told(self, client: aiomqtt.Client) -> None:
        """A sliding window in order of seq: as one message is acknowledged the next one goes."""
        room, after = asyncio.Semaphore(WINDOW), 0
        async with asyncio.TaskGroup() as under_way:
            lost = under_way.create_task(_until_lost(client))
            while True:
                over = self._closing.is_set()  # asked before looking: what was kept until then is found
                waiting = await self._outbox.pending(after, BATCH)
                for message in waiting:
                    await room.acquire()
                    under_way.create_task(self._send(client, message, room))
                    after = message.seq
                if not waiting:
                    if over:
                        break
                    await self._until_closing(LOOK_AGAIN_S)
            for _ in range(WINDOW):
                await room.acquire()
            lost.cancel()

    async def _send(self, client: aiomqtt.Client, message: Outgoing, room: asyncio.Semaphore) -> None:
        await client.publish(message.topic, message.payload, qos=1, retain=message.retain)
        room.release()  # not where it failed: then the connection is over
        self.sent += 1
        self._acked.append(message.seq)
        self._news.set()
        self._backoff.reset()  # not by connecting alone: some brokers accept, then throw out

    # --- status -----------------------------------------------------------------------------------

    async def _publish_status(self, client: aiomqtt.Client) -> None:
        topic, payload = self._status(*self._state)
        await client.publish(topic, payload, qos=1, retain=True)

    async def _farewell(self, client: aiomqtt.Client) -> None:
        """The last status, or "offline" where we mean to come back: a polite goodbye sends no will.

        A frozen broker takes it from its socket's buffer when it thaws; nobody waits for that.
        """
        over = self._closing.is_set()
        topic, payload = self._status(*(self._state if over else ("offline", "the connection is being made anew")))
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError, OSError, ValueError):
            async with self._clock.deadline(FAREWELL_S):
                await client.publish(topic, payload, qos=1 if over else 0, retain=True)

    def _will(self) -> aiomqtt.Will:
        topic, payload = self._status("offline", "the connection was lost; time is when it was made")
        return aiomqtt.Will(topic, payload, qos=1, retain=True)

    def _status(self, state: BenchState, sentence: str) -> tuple[str, str]:
        """Topic and payload of a status said live."""
        self._live += 1
        message = status(self._sender.bench, state, self._sender.stamp(), sentence)
        name = f"{self._sender.identifier}-live-{self._live}"
        return message.topic, row_to_line({**message.body, "id": name, "seq": 0})

    # --- marks ------------------------------------------------------------------------------------

    async def _mark_always(self) -> None:
        while True:
            await self._news.wait()
            self._news.clear()
            await self._mark()

    async def _mark(self) -> None:
        async with self._marking:
            acked, self._acked = self._acked, []
            if not acked:
                return
            try:
                await self._outbox.mark_sent(acked)
            except (
                asyncio.CancelledError
            ):  # it may have waited for the ledger's thread in vain; marking twice is no harm
                self._acked = acked + self._acked
                raise
            except Exception as error:  # a full disk: they stay pending, and may be sent twice
                self._complain(error)

    # --- trouble ----------------------------------------------------------------------------------

    def _complain(self, error: Exception) -> None:
        """Each reason once; a broker that is down for hours does not fill the terminal."""
        self._down = True
        why = _in_words(error)
        if why not in self._complaints:
            self._complaints.add(why)
            self._say(f"broker {self._sender.broker.name}: {why}; messages wait in the outbox, the night goes on")

    def _connected_again(self) -> None:
        if self._down:
            self._down = False
            self._say(f"broker {self._sender.broker.name}: connected")

    async def _pause(self) -> None:
        pause_s = self._backoff.next_s(self._chance.random())
        if self._closing.is_set():
            await self._clock.sleep(min(pause_s, LONGEST_PAUSE_CLOSING_S))
        else:
            await self._until_closing(pause_s)

    async def _until_closing(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with self._clock.deadline(seconds):
                await self._closing.wait()


class _Client(aiomqtt.Client):
    """No word about many calls under way: here they are many on purpose."""

    def __init__(self, hostname: str, port: int, **settings: Any) -> None:
        super().__init__(hostname, port, **settings)
        self.pending_calls_threshold = WINDOW + 2


async def _until_lost(client: aiomqtt.Client) -> None:
    """Raises MqttError as soon as the connection is gone; a publish under way would sit out its whole time-out."""
    async for _ in client.messages:
        pass  # we subscribe to nothing


def _in_words(error: Exception) -> str:
    if isinstance(error, MqttConnectError):
        code = getattr(error.rc, "value", error.rc)
        if code in REFUSED_CODES:
            return f"refuses us; check user and password (in the URL, or in {PASSWORD_VARIABLE})"
        return f"refuses us: {error}"
    if isinstance(error, aiomqtt.MqttError | OSError):
        return f"not reached: {error}"
    return f"{type(error).__name__}: {error}"
