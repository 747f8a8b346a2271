"""A small consumer: hears a bench's messages, has each once and in order, asks for gaps, and confirms what it has."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import random
import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

import aiomqtt

from drivers.timing import Clock
from sequencer.ledger.names import safe_name
from sequencer.ledger.plain import RowRefused, row_to_line
from sequencer.publish.backoff import Backoff
from sequencer.publish.broker_file import tls_context
from sequencer.publish.broker_url import Broker
from sequencer.publish.client import client_of, in_words
from sequencer.publish.gathered import Body, Gathered
from sequencer.publish.keep_file import KeepFile
from sequencer.publish.live import HEARD, MOST_RANGES, any_told, as_object
from sequencer.publish.messages import ROOT, VERSION
from sequencer.publish.spans import Span

TICK_S = 0.1
CONFIRM_EVERY_S = 0.3
FIRST_ASK_S, LAST_ASK_S, ASKS = 0.4, 5.0, 5
AT_ONCE = 20  # gaps asked for in one go
EXPIRES_S = 60.0
LAST_CONFIRM_S = 2.0
ENDS = ("finished", "stopped", "tripped", "not confirmed safe")


@dataclass(frozen=True)
class Listening:
    """What is listened to. level: the bench's level of the topic, `+` for any. keep: where what came is kept. show: is
    called with each message, rows in order. now: wall time."""

    broker: Broker
    level: str
    show: Callable[[Body], None]
    say: Callable[[str], None]
    now: Callable[[], datetime]
    keep: KeepFile | None = None


@dataclass
class Ledger:
    """One ledger that is told: what is here, and how patient we still are. level: of its topic."""

    level: str
    got: Gathered = field(default_factory=Gathered)
    asked: int = 0
    ask_at_s: float = 0.0
    missing: list[Span] = field(default_factory=list)
    unconfirmed: bool = False


class Listener:
    """`run` until `ended` or cancelled. ready: set while it is subscribed. ended: set when a night's last word was
    heard and nothing more can come."""

    def __init__(self, asked: Listening, clock: Clock) -> None:
        """clock: a real one."""
        self._asked, self._clock = asked, clock
        self._ledgers: dict[str, Ledger] = {}
        self._live: set[str] = set()
        self._client: aiomqtt.Client | None = None
        self._over = False
        self._complaints: set[str] = set()
        self.strange = 0
        self.ready, self.ended = asyncio.Event(), asyncio.Event()
        for body in asked.keep.kept if asked.keep else ():
            self._ledger(str(body["ledger"]), safe_name(str(body["bench"]))).got.take(body)

    async def run(self) -> None:
        """Connects, again and again."""
        tls = await asyncio.to_thread(tls_context, self._asked.broker) if self._asked.broker.tls else None
        keep = self._asked.keep
        kept = hashlib.sha256(str(keep.path.resolve()).encode()).hexdigest()[:12] if keep else secrets.token_hex(6)
        backoff, chance = Backoff(), random.Random()
        while True:
            try:
                async with client_of(self._asked.broker, f"listen{kept}", tls, kept=keep is not None) as client:
                    await client.subscribe(f"{ROOT}/{self._asked.level}/+", 1)
                    self._client = client
                    for one in self._ledgers.values():
                        one.unconfirmed = bool(one.got.have)  # our last word may have been lost with the connection
                    self.ready.set()
                    backoff.reset()
                    await self._hear(client)
            except (aiomqtt.MqttError, OSError) as error:
                self._complain(error)
            finally:
                self._client = None
                self.ready.clear()
            await self._clock.sleep(backoff.next_s(chance.random()))

    async def say_goodbye(self) -> None:
        """What is here is confirmed once more, if the broker is there."""
        with contextlib.suppress(aiomqtt.MqttError, OSError, TimeoutError):
            async with self._clock.deadline(LAST_CONFIRM_S):
                if self._client is not None:
                    await self._confirm(self._client)
        for one in self._ledgers.values():
            for body in one.got.rest():
                self._asked.show(body)

    def counted(self) -> str:
        """`78 messages, 0 repeated, 0 missing`."""
        all_of = [one.got for one in self._ledgers.values()]
        here, again, lost = (
            (sum(n) for n in zip(*((g.count(), g.repeated, g.lost()) for g in all_of), strict=True))
            if (all_of)
            else (0, 0, 0)
        )
        strange = f"; {self.strange} that are none of nightramp's" if self.strange else ""
        return f"{here} messages, {again} repeated, {lost} missing{strange}"

    # --- what arrives -----------------------------------------------------------------------------

    async def _hear(self, client: aiomqtt.Client) -> None:
        try:
            async with asyncio.TaskGroup() as beside:
                ticking = beside.create_task(self._tick(client))
                async for message in client.messages:
                    self._take(str(message.topic), message.payload, message.retain)
                ticking.cancel()
        except BaseExceptionGroup as several:
            raise several.exceptions[0] from None

    def _take(self, topic: str, payload: object, retained: bool) -> None:
        _, _, level, kind = (topic.split("/") + [""] * 4)[:4]
        if kind in HEARD:
            return  # consumers and commands, our own among them
        body = as_object(payload)
        try:
            told = any_told(body or {})
        except RowRefused:
            self.strange += 1
            return
        if body is None or told.ledger is None:
            self.strange += 1
            return
        ledger = self._ledger(told.ledger, level)
        if told.seq:
            self._row(ledger, body)
        elif told.id not in self._live:
            self._live.add(told.id)
            self._said_live(ledger, body, retained)

    def _row(self, ledger: Ledger, body: Body) -> None:
        before = ledger.got.repeated
        ready = ledger.got.take(body)
        ledger.unconfirmed = True  # a repeat too: our word of it was lost
        if ledger.got.repeated == before and self._asked.keep:
            self._asked.keep.add(body)
        ledger.asked = 0
        for one in ready:
            self._asked.show(one)

    def _said_live(self, ledger: Ledger, body: Body, retained: bool) -> None:
        if body["schema_name"] == "nightramp.status":
            ledger.got.heard_of(int(body.get("told_to") or 0))
            ledger.asked = 0
            ledger.unconfirmed = True  # who connected anew may not have heard our last word
            self._over = body["state"] in ENDS and not retained  # a retained one may be of another night
        if body["schema_name"] != "nightramp.reply":
            self._asked.show(body)

    def _ledger(self, name: str, level: str) -> Ledger:
        return self._ledgers.setdefault(name, Ledger(level))

    # --- what is said -----------------------------------------------------------------------------

    async def _tick(self, client: aiomqtt.Client) -> None:
        confirm_at_s = 0.0
        while True:
            now_s = self._clock.now_ns() * 1e-9
            for name, ledger in list(self._ledgers.items()):
                await self._ask(client, name, ledger, now_s)
            if now_s >= confirm_at_s:
                await self._confirm(client)
                confirm_at_s = now_s + CONFIRM_EVERY_S
            if self._over and not any(one.got.missing() for one in self._ledgers.values()):
                self.ended.set()
            await self._clock.sleep(TICK_S)

    async def _ask(self, client: aiomqtt.Client, name: str, ledger: Ledger, now_s: float) -> None:
        """For what is missing, ever more patiently; in the end it is given up, and what waits behind it is shown."""
        missing = ledger.got.missing()
        if missing != ledger.missing:
            ledger.missing, ledger.asked, ledger.ask_at_s = missing, 0, now_s + FIRST_ASK_S
        if not missing or now_s < ledger.ask_at_s:
            return
        if ledger.asked >= ASKS:
            for body in ledger.got.give_up(missing):
                self._asked.show(body)
            return
        ledger.ask_at_s = now_s + min(LAST_ASK_S, FIRST_ASK_S * 2.0**ledger.asked)
        ledger.asked += 1
        for first, last in missing[:AT_ONCE]:
            wants = {"kind": "say again", "ledger": name, "first_seq": first, "last_seq": last}
            expires = (self._asked.now() + timedelta(seconds=EXPIRES_S)).isoformat()
            await self._publish(client, ledger.level, "command", wants | {"expires": expires})

    async def _confirm(self, client: aiomqtt.Client) -> None:
        """All that is here, on the disk first where it is kept: one confirmation that is lost costs nothing. What comes
        while the disk writes is not on it yet: it has its turn next time."""
        news = [(name, one, one.got.have[-MOST_RANGES:]) for name, one in self._ledgers.items() if one.unconfirmed]
        for _, ledger, _ in news:
            ledger.unconfirmed = False
        if news and not await self._is_on_disk():
            for _, ledger, _ in news:
                ledger.unconfirmed = True
            return
        for name, ledger, have in news:
            ranges = [list(one) for one in have]
            await self._publish(client, ledger.level, "received", {"ledger": name, "ranges": ranges})

    async def _is_on_disk(self) -> bool:
        """All that came until now, where it is kept. A disk that is full is said once, and tried again."""
        keep = self._asked.keep
        try:
            if keep is not None:
                await asyncio.to_thread(keep.sync)
        except OSError as error:
            self._complain_once(f"{keep and keep.path}: {error.strerror}: nothing is confirmed until it is written")
            return False
        return True

    async def _publish(self, client: aiomqtt.Client, level: str, kind: str, body: dict[str, Any]) -> None:
        says = {"schema_name": f"nightramp.{kind}", "schema_version": VERSION, "time": self._asked.now().isoformat()}
        name = {"id": secrets.token_hex(8)}
        await client.publish(f"{ROOT}/{level}/{kind}", row_to_line({**body, **says, **name}), qos=1)

    def _complain(self, error: Exception) -> None:
        self._complain_once(f"broker {self._asked.broker.name}: {in_words(error)}; trying again")

    def _complain_once(self, why: str) -> None:
        if why not in self._complaints:
            self._complaints.add(why)
            self._asked.say(why)
