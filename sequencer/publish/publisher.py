"""Publishes the outbox over MQTT: in the order of seq, marked sent when the broker has it, confirmed when a consumer
has it, and never in the way.

Runs as an island on real time in the night's own loop. Nothing flows back from here but marks in the outbox, which
no result reads; whatever a broker does, the worst is that messages stay in the outbox.
"""

from __future__ import annotations

import asyncio
import contextlib
import random
import ssl
from collections.abc import Callable, Mapping
from typing import Any

import aiomqtt

from drivers.timing import Clock
from sequencer.ledger.outbox import Outgoing
from sequencer.ledger.plain import row_to_line
from sequencer.publish.backoff import Backoff
from sequencer.publish.broker_file import tls_context
from sequencer.publish.client import WINDOW, client_of, expiring, in_words
from sequencer.publish.consumers import Consumers, OnCommand
from sequencer.publish.live import LARGEST_BYTES
from sequencer.publish.messages import VERSION, BenchState, status, topic, with_ledger
from sequencer.publish.outbox import Outbox
from sequencer.publish.sender import Sender

BATCH = 100
LOOK_AGAIN_S = 0.2
GATHER_S = 0.02  # what comes one by one is looked for, and marked, together: each has its share of a commit's cost
LONGEST_PAUSE_CLOSING_S = 1.0
FAREWELL_S = 1.0
READINGS_EVERY_S = 1.0
READINGS_EXPIRE_S = 10
BURST_HEARD, BREATH_S = 50, 0.01  # whoever floods us gets no more of the loop than that
GRACE_S = 0.8  # for a first word of a consumer
QUIET_S = 3.0  # so long a consumer that confirms may be silent before the end no longer waits for it
DEAF_AFTER = 3


class Publisher:
    """`run()` in a task of its own until `finish` was called and all is told; what goes wrong is said, never raised."""

    def __init__(
        self,
        sender: Sender,
        outbox: Outbox,
        clock: Clock,
        say: Callable[[str], None],
        on_command: OnCommand | None = None,
    ) -> None:
        """clock: a real one, whatever the night runs on. on_command: acts on commands other than "say again"."""
        self._sender, self._outbox, self._clock, self._say = sender, outbox, clock, say
        self._state = sender.state
        self._closing, self._told, self._given_up = asyncio.Event(), False, False
        self._acked: list[int] = []
        self._news, self._marking = asyncio.Event(), asyncio.Lock()
        self._backoff, self._chance = Backoff(), random.Random()
        self._complaints: set[str] = set()
        self._down = False
        self._live, self._tag = 0, f"{self._chance.getrandbits(32):08x}"  # another feed of this ledger counts anew
        self._tls: ssl.SSLContext | None = None
        self._consumers = Consumers(sender.now, on_command)
        self._reading: Mapping[str, Any] | None = None
        self._questions: list[Mapping[str, Any]] = []
        self._fresh = asyncio.Event()
        self._published = 0  # the highest number handed to a broker, also by a feed before this one
        self._not_heard = 0  # connections that ended before we were subscribed
        self.sent = 0

    async def run(self) -> None:
        """Connects, again and again, until all is told."""
        marks = asyncio.create_task(self._mark_always(), name="marks in the outbox")
        try:
            while not await self._one_connection() and not self._given_up:
                await self._pause()
        finally:
            marks.cancel()
            await asyncio.gather(marks, return_exceptions=True)
            await self._mark()

    def finish(self, state: BenchState, sentence: str) -> None:
        """The night is over: what waits is told, then this as the last status, then `run` returns."""
        self._state = (state, sentence)
        self._closing.set()

    def give_up(self) -> None:
        """No further attempt after this one. Said before `run` is cancelled: a client that fails in the very moment of
        a cancel may hand on its own error instead (a task group or a time-out of Python 3.11 does)."""
        self._given_up = True

    def reading(self, reading: Mapping[str, Any]) -> None:
        """The latest reading of the bench; of several within a second only the last is told, or none."""
        self._reading = reading
        self._fresh.set()

    def question(self, body: Mapping[str, Any]) -> None:
        """Told as soon as a broker is there."""
        self._questions.append(body)
        self._fresh.set()

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
        broker = self._sender.broker
        if broker.tls and self._tls is None:
            self._tls = await asyncio.to_thread(tls_context, broker)  # reads files
        if self._consumers.ledger is None:
            self._published = max(self._published, await self._outbox.sent_to())
            self._consumers.ledger = await self._outbox.identity()
        return client_of(broker, self._sender.identifier, self._tls, self._will())

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
        room = asyncio.Semaphore(WINDOW)
        async with asyncio.TaskGroup() as under_way:
            beside = [under_way.create_task(one) for one in (self._hear(client), self._tell_readings(client))]
            await self._send_rows(client, room, under_way)
            await self._publish_status(client)  # it says how far we got
            await self._until_confirmed(client, room, under_way)
            for _ in range(WINDOW):
                await room.acquire()
            for one in beside:
                one.cancel()

    async def _send_rows(self, client: aiomqtt.Client, room: asyncio.Semaphore, group: asyncio.TaskGroup) -> None:
        """Until all is sent and nothing more will come."""
        after = 0
        while True:
            over = self._closing.is_set()  # asked before looking: what was kept until then is found
            await self._say_again(client, room, group)
            waiting = await self._outbox.pending(after, BATCH)
            for message in waiting:
                await room.acquire()
                group.create_task(self._send(client, message, room))
                after = message.seq
                self._published = max(self._published, after)
            if not waiting:
                if over:
                    return
                await self._until_closing(LOOK_AGAIN_S)
            elif len(waiting) < BATCH:
                await self._until_closing(GATHER_S)

    async def _send(self, client: aiomqtt.Client, message: Outgoing, room: asyncio.Semaphore) -> None:
        await client.publish(message.topic, self._payload(message), qos=1, retain=message.retain)
        room.release()  # not where it failed: then the connection is over
        self.sent += 1
        self._acked.append(message.seq)
        self._news.set()
        self._backoff.reset()  # not by connecting alone: some brokers accept, then throw out

    def _payload(self, message: Outgoing) -> str:
        return with_ledger(message.payload, self._consumers.ledger or "")

    # --- consumers --------------------------------------------------------------------------------

    async def _hear(self, client: aiomqtt.Client) -> None:
        """Raises MqttError as soon as the connection is gone; a publish under way would sit out its whole time-out."""
        received, command = (topic(self._sender.bench, kind) for kind in ("received", "command"))
        if self._not_heard < DEAF_AFTER:
            self._not_heard += 1
            await client.subscribe([(received, 1), (command, 1)])
            self._not_heard = 0
        else:
            self._complain_once("takes no subscription from us: nothing can be confirmed")
        count = 0
        async for message in client.messages:
            count += 1
            if count % BURST_HEARD == 0:
                await self._clock.sleep(BREATH_S)
            payload = message.payload
            if message.retain or not isinstance(payload, bytes | bytearray) or len(payload) > LARGEST_BYTES:
                continue  # a retained one was said to somebody else, some time ago
            if str(message.topic) == received:
                if self._consumers.received(bytes(payload)):
                    self._news.set()
            elif (body := await self._consumers.command(bytes(payload))) is not None:
                await client.publish(*self._live_message("reply", body), qos=1)

    async def _say_again(self, client: aiomqtt.Client, room: asyncio.Semaphore, group: asyncio.TaskGroup) -> bool:
        """What was asked for, as far as it was published; not retained: a status of then is not that of now."""
        span = self._consumers.take_again()
        if span is None:
            return False
        first, last = span[0], min(span[1], self._published)
        for message in await self._outbox.between(first, last, last - first + 1) if first <= last else ():
            await room.acquire()
            group.create_task(self._send_again(client, message, room))
        return True

    async def _send_again(self, client: aiomqtt.Client, message: Outgoing, room: asyncio.Semaphore) -> None:
        await client.publish(message.topic, self._payload(message), qos=1)
        room.release()

    async def _until_confirmed(self, client: aiomqtt.Client, room: asyncio.Semaphore, group: asyncio.TaskGroup) -> None:
        """Whoever confirms is waited for, as long as there is a word of it now and then."""
        words, quiet_s = self._consumers.words, 0.0
        while quiet_s < (QUIET_S if words else GRACE_S) and await self._outbox.unconfirmed():
            await self._clock.sleep(LOOK_AGAIN_S / 4.0)
            quiet_s += LOOK_AGAIN_S / 4.0
            while await self._say_again(client, room, group):
                pass
            if self._consumers.words != words:
                words, quiet_s = self._consumers.words, 0.0

    async def _tell_readings(self, client: aiomqtt.Client) -> None:
        while True:
            await self._fresh.wait()
            self._fresh.clear()
            while self._questions:
                await client.publish(*self._live_message("question", self._questions[0]), qos=1)
                self._questions.pop(0)
            reading, self._reading = self._reading, None
            if reading is not None:
                expiry = expiring(self._sender.broker, READINGS_EXPIRE_S)
                await client.publish(*self._live_message("readings", reading), qos=0, properties=expiry)
                await self._clock.sleep(READINGS_EVERY_S)

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
        message = status(self._sender.bench, state, self._sender.stamp(), sentence)
        return message.topic, self._live_payload({**message.body, "told_to": self._published})

    def _live_message(self, kind: str, body: Mapping[str, Any]) -> tuple[str, str]:
        says = {"schema_name": f"nightramp.{kind}", "schema_version": VERSION}
        of = {"time": self._sender.stamp(), "bench": self._sender.bench}
        return topic(self._sender.bench, kind), self._live_payload({**body, **says, **of})

    def _live_payload(self, body: Mapping[str, Any]) -> str:
        self._live += 1
        name = f"{self._sender.identifier}-{self._tag}-{self._live}"
        return row_to_line({"id": name, **body, "seq": 0, "ledger": self._consumers.ledger})

    # --- marks ------------------------------------------------------------------------------------

    async def _mark_always(self) -> None:
        while True:
            await self._news.wait()
            await self._clock.sleep(GATHER_S)
            self._news.clear()
            await self._mark()

    async def _mark(self) -> None:
        async with self._marking:
            acked, self._acked = self._acked, []
            spans = self._consumers.take_spans()
            try:
                if acked:
                    await self._outbox.mark_sent(acked)
                if spans:
                    await self._outbox.confirm(spans, self._published)
            except (
                asyncio.CancelledError
            ):  # it may have waited for the ledger's thread in vain; marking twice is no harm
                self._acked = acked + self._acked
                self._consumers.put_back(spans)
                raise
            except Exception as error:  # a full disk: they stay as they are, and may be sent twice
                self._complain(error)

    # --- trouble ----------------------------------------------------------------------------------

    def _complain(self, error: Exception) -> None:
        """Each reason once; a broker that is down for hours does not fill the terminal."""
        self._down = True
        self._complain_once(f"{in_words(error)}; messages wait in the outbox, the night goes on")

    def _complain_once(self, why: str) -> None:
        if why not in self._complaints:
            self._complaints.add(why)
            self._say(f"broker {self._sender.broker.name}: {why}")

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
