"""A broker on paper: as much of MQTT 3.1.1 (OASIS, clauses 2 and 3; from memory) as a publisher meets, and a will of
its own about acknowledging. It shares no code with the client library.
"""

from __future__ import annotations

import asyncio
import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

CONNECT, PUBLISH, SUBSCRIBE, PINGREQ, DISCONNECT = 1, 3, 8, 12, 14  # 2.2.1
CONNACK, PUBACK, SUBACK, PINGRESP = 0x20, 0x40, 0x90, 0xD0


@dataclass(frozen=True)
class Connect:
    """A CONNECT packet (3.1)."""

    level: int
    clean: bool
    keepalive_s: int
    client: str
    will_topic: str
    will: bytes
    will_qos: int
    will_retain: bool
    user: str | None
    password: str | None


@dataclass(frozen=True)
class Publish:
    """A PUBLISH packet (3.3)."""

    topic: str
    payload: bytes
    qos: int
    retain: bool
    again: bool


Acks = Callable[[Sequence[int]], Sequence[int]]


def at_once(outstanding: Sequence[int]) -> Sequence[int]:
    return outstanding


@dataclass
class PaperBroker:
    """`acks`: given the outstanding packet numbers, oldest first, those to acknowledge now. code: of the CONNACK (3.2).
    cut_after: publishes after which the first connection is cut without a word, the last of them unacknowledged. says:
    topics and payloads, at QoS 0, that follow each SUBACK.
    """

    acks: Acks = at_once
    code: int = 0
    cut_after: int | None = None
    connects: list[Connect] = field(default_factory=list)
    got: list[Publish | str] = field(default_factory=list)
    most_outstanding: int = 0
    subscribed: list[str] = field(default_factory=list)
    says: list[list[tuple[str, bytes]]] = field(default_factory=list)

    async def __aenter__(self) -> PaperBroker:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self._clients: set[asyncio.StreamWriter] = set()
        self.port: int = self._server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_: object) -> None:
        for writer in list(self._clients):
            writer.close()
        self._server.close()
        await self._server.wait_closed()

    @property
    def publishes(self) -> list[Publish]:
        return [one for one in self.got if isinstance(one, Publish)]

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._clients.add(writer)
        try:
            await self._talk(reader, writer)
        except (asyncio.IncompleteReadError, ConnectionError):
            self.got.append("gone")
        finally:
            self._clients.discard(writer)
            writer.close()

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        outstanding: list[int] = []
        while True:
            kind, flags, body = await packet(reader)
            if kind == CONNECT:
                self.connects.append(connect(body))
                writer.write(bytes((CONNACK, 2, 0, self.code)))
                if self.code:
                    return
            elif kind == PUBLISH:
                message, number = publish(flags, body)
                self.got.append(message)
                if self.cut_after is not None and len(self.publishes) >= self.cut_after:
                    self.cut_after = None
                    return
                outstanding += [number] if number else []
                self.most_outstanding = max(self.most_outstanding, len(outstanding))
                for one in list(self.acks(tuple(outstanding))):
                    outstanding.remove(one)
                    writer.write(struct.pack("!BBH", PUBACK, 2, one))
            elif kind == SUBSCRIBE:
                number, wanted = subscribe(body)
                self.subscribed += wanted
                writer.write(struct.pack("!BBH", SUBACK, 2 + len(wanted), number) + bytes(len(wanted)))
                for one in self.says.pop(0) if self.says else ():
                    writer.write(publish_packet(*one))
            elif kind == PINGREQ:
                writer.write(bytes((PINGRESP, 0)))
            elif kind == DISCONNECT:
                self.got.append("goodbye")
                return
            else:
                raise AssertionError(f"packet of kind {kind}")


async def packet(reader: asyncio.StreamReader) -> tuple[int, int, bytes]:
    """Kind, flags, rest; the length takes one to four bytes of seven bits, the low ones first (2.2.3)."""
    first = (await reader.readexactly(1))[0]
    length = shift = 0
    while True:
        byte = (await reader.readexactly(1))[0]
        length |= (byte & 0x7F) << shift
        shift += 7
        if not byte & 0x80:
            break
    return first >> 4, first & 0x0F, await reader.readexactly(length)


def connect(body: bytes) -> Connect:
    """The order of fields of 3.1.3: client, will topic, will, user, password; present as the flags say (3.1.2)."""
    assert body[:6] == b"\x00\x04MQTT"
    level, flags = body[6], body[7]
    (keepalive_s,) = struct.unpack_from("!H", body, 8)
    fields, at = [], 10
    while at < len(body):
        (size,) = struct.unpack_from("!H", body, at)
        fields.append(body[at + 2 : at + 2 + size])
        at += 2 + size
    client = fields.pop(0).decode()
    will_topic, will = (fields.pop(0).decode(), fields.pop(0)) if flags & 0x04 else ("", b"")
    user = fields.pop(0).decode() if flags & 0x80 else None
    password = fields.pop(0).decode() if flags & 0x40 else None
    return Connect(
        level,
        bool(flags & 0x02),
        keepalive_s,
        client,
        will_topic,
        will,
        flags >> 3 & 3,
        bool(flags & 0x20),
        user,
        password,
    )


def publish(flags: int, body: bytes) -> tuple[Publish, int]:
    """The message and its packet number, 0 where QoS 0 has none (3.3.1, 3.3.2)."""
    (size,) = struct.unpack_from("!H", body, 0)
    topic, at, number = body[2 : 2 + size].decode(), 2 + size, 0
    qos = flags >> 1 & 3
    if qos:
        (number,) = struct.unpack_from("!H", body, at)
        at += 2
    return Publish(topic, body[at:], qos, bool(flags & 1), bool(flags & 8)), number


def subscribe(body: bytes) -> tuple[int, list[str]]:
    """The packet's number and its topics, each followed by one byte of QoS (3.8.2, 3.8.3)."""
    (number,), at, wanted = struct.unpack_from("!H", body, 0), 2, list[str]()
    while at < len(body):
        (size,) = struct.unpack_from("!H", body, at)
        wanted.append(body[at + 2 : at + 2 + size].decode())
        at += 3 + size
    return number, wanted


def publish_packet(topic: str, payload: bytes) -> bytes:
    """A PUBLISH of QoS 0 to a client (3.3): no packet number."""
    name = topic.encode()
    body = struct.pack("!H", len(name)) + name + payload
    length, left = bytearray(), len(body)
    while True:
        left, low = left >> 7, left & 0x7F
        length.append(low | (0x80 if left else 0))
        if not left:
            return bytes((PUBLISH << 4,)) + bytes(length) + body
