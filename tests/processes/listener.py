"""A persistent subscriber at a real broker: what it holds when all is over is what a consumer has.

Whatever names a schema is held against it as JSON Schema says (draft 2020-12, by the library jsonschema).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from typing import Any

import aiomqtt
from jsonschema import Draft202012Validator

from sequencer.publish.live import live_schemas
from sequencer.publish.messages import message_schemas

Told = dict[str, Any]
ALL = "nightramp/1/#"
SCHEMAS = {
    f"nightramp.{kind}": Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER)
    for kind, schema in (message_schemas() | live_schemas()).items()
}


class Reader:
    """`got`: payloads in the order of arrival, with their topic and retain flag; repeats included. `wrong`: what a
    schema says against them."""

    def __init__(self, port: int) -> None:
        self._port, self.got = port, list[Told]()
        self.wrong: list[str] = []
        self.there = asyncio.Event()

    async def read_always(self) -> None:
        while True:
            with contextlib.suppress(aiomqtt.MqttError):
                await self._read()
            await asyncio.sleep(0.05)

    async def _read(self) -> None:
        client = aiomqtt.Client("127.0.0.1", self._port, identifier="consumer", clean_session=False, timeout=2.0)
        async with client:
            await client.subscribe(ALL, qos=1)
            self.there.set()
            async for message in client.messages:
                body = json.loads(bytes(message.payload))  # type: ignore[arg-type]
                if "schema_name" in body:
                    self.wrong += [one.message for one in SCHEMAS[body["schema_name"]].iter_errors(body)]
                self.got.append(body | {"topic": str(message.topic), "retained": message.retain})

    @property
    def seqs(self) -> list[int]:
        """Numbers of the outbox's rows in the order of first arrival, repeated ids dropped, live statuses left out."""
        seen: dict[str, int] = {}
        for one in self.got:
            if one["seq"]:
                seen.setdefault(one["id"], one["seq"])
        return list(seen.values())

    async def until(self, count: int, limit_s: float = 20.0) -> None:
        """Until so many different rows are there, or the limit: the test then says what is missing."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(limit_s):
                while len(self.seqs) < count:  # noqa: ASYNC110 (nothing sets an event here)
                    await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def reading(port: int, *, wait: bool = True) -> AsyncIterator[Reader]:
    """wait: until it has subscribed; else the broker may come up later."""
    reader = Reader(port)
    task = asyncio.create_task(reader.read_always())
    try:
        if wait:
            async with asyncio.timeout(10.0):
                await reader.there.wait()
        yield reader
        assert reader.wrong == []
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


async def retained_status(port: int, bench: str) -> Told:
    """What somebody who comes late sees."""
    async with aiomqtt.Client("127.0.0.1", port, timeout=2.0) as client:
        await client.subscribe(f"nightramp/1/{bench}/status", qos=1)
        async with asyncio.timeout(5.0):
            async for message in client.messages:
                assert message.retain
                body: Told = json.loads(bytes(message.payload))  # type: ignore[arg-type]
                return body
    raise AssertionError("no retained status")
