"""What a consumer keeps, and that it confirms nothing else. Truths: write(2) may write less than it was given,
and fails with ENOSPC on a full disk; flock(2) is let go of with the process (Linux, from memory); what README promises.
"""

from __future__ import annotations

import asyncio
import errno
import json
import os
import threading
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast

import aiomqtt
import pytest

from sequencer.clock import RealClock
from sequencer.errors import InputRefused
from sequencer.publish.broker_url import Broker
from sequencer.publish.keep_file import KeepFile
from sequencer.publish.listener import Listener, Listening
from sequencer.publish.messages import point_kept
from tests.sequencer.ledger_rows import LATER, head, point

LEDGER = "0a1b2c3d4e5f"


def body(seq: int) -> dict[str, Any]:
    return {**point_kept(head(), point(), LATER).body, "id": f"r01-{seq}", "seq": seq, "ledger": LEDGER}


@pytest.fixture
def consumer(tmp_path: Path) -> Iterator[Consumer]:
    one = Consumer(tmp_path / "heard")
    yield one
    one.keep.close()


def seqs(path: Path) -> list[int]:
    """Of the whole lines in the file."""
    return [json.loads(line)["seq"] for line in path.read_bytes().split(b"\n")[:-1]]


class Paper:
    """A broker's connection: what was published."""

    def __init__(self) -> None:
        self.said: list[dict[str, Any]] = []

    async def publish(self, topic: str, payload: str, qos: int) -> None:
        self.said.append(json.loads(payload))

    @property
    def confirmed(self) -> list[list[list[int]]]:
        return [one["ranges"] for one in self.said if one["schema_name"] == "nightramp.received"]


class Consumer:
    """A listener without a broker: `takes` messages, `confirms` what it has."""

    def __init__(self, path: Path) -> None:
        self.keep, self.client, self.complaints = KeepFile(path), Paper(), list[str]()
        said = self.complaints.append
        asked = Listening(
            Broker("nowhere", 1883), "workshop", lambda one: None, said, lambda: datetime.now(UTC), self.keep
        )
        self._one = Listener(asked, RealClock())

    def takes(self, *numbers: int) -> None:
        for seq in numbers:
            self._one._take("nightramp/1/workshop/point", json.dumps(body(seq)).encode(), False)

    async def confirms(self) -> None:
        await self._one._confirm(cast(aiomqtt.Client, self.client))


async def test_what_comes_while_the_disk_writes_is_not_confirmed_yet(
    consumer: Consumer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, begun, goes_on, honest = consumer, threading.Event(), threading.Event(), os.fsync

    def slow(handle: int) -> None:
        begun.set()
        assert goes_on.wait(10.0)
        honest(handle)

    monkeypatch.setattr(os, "fsync", slow)
    one.takes(1, 2)
    confirming = asyncio.create_task(one.confirms())
    assert await asyncio.to_thread(begun.wait, 10.0)
    one.takes(3)
    goes_on.set()
    await confirming
    assert one.client.confirmed == [[[1, 2]]]
    assert seqs(tmp_path / "heard") == [1, 2]
    await one.confirms()
    assert one.client.confirmed[1:] == [[[1, 3]]]
    assert seqs(tmp_path / "heard") == [1, 2, 3]


async def test_a_full_disk_confirms_nothing_and_is_tried_again(
    consumer: Consumer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, honest = consumer, os.write
    one.takes(1)
    await one.confirms()
    with monkeypatch.context() as full:

        def partly(handle: int, data: bytes) -> int:
            if len(data) < 100:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return honest(handle, data[: len(data) - 50])

        full.setattr(os, "write", partly)
        one.takes(2, 3)
        await one.confirms()
        await one.confirms()
    assert one.client.confirmed == [[[1, 1]]]
    assert seqs(tmp_path / "heard") == [1]
    assert (tmp_path / "heard").read_bytes().endswith(b"\n")
    (said,) = one.complaints
    assert "No space left on device" in said
    await one.confirms()
    assert one.client.confirmed == [[[1, 1]], [[1, 3]]]
    assert seqs(tmp_path / "heard") == [1, 2, 3]


def test_a_line_that_was_cut_off_is_taken_out_and_comes_again(tmp_path: Path) -> None:
    path = tmp_path / "heard"
    keep = KeepFile(path)
    for seq in (1, 2, 3):
        keep.add(body(seq))
    keep.close()
    whole = path.read_bytes()
    for cut in (1, 2, 300):
        path.write_bytes(whole[:-cut])
        again = KeepFile(path)
        assert [one["seq"] for one in again.kept] == [1, 2]
        again.add(body(3))
        again.close()
        assert path.read_bytes() == whole


def test_a_file_of_something_else_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_bytes(b"Dear harbour master,\nthe deck amplifier hums")
    with pytest.raises(InputRefused, match="line 1 is no message"):
        KeepFile(path)
    assert path.read_bytes() == b"Dear harbour master,\nthe deck amplifier hums"


def test_two_listeners_do_not_write_one_file(tmp_path: Path) -> None:
    first = KeepFile(tmp_path / "heard")
    with pytest.raises(InputRefused, match="another `listen` is writing it"):
        KeepFile(tmp_path / "heard")
    first.close()
    KeepFile(tmp_path / "heard").close()
