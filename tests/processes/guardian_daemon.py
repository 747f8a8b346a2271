"""A toy of the process that is guarded: it arms a guardian, holds both links, energises and beats, and then goes wrong
in the way it is told.

    python -P -m tests.processes.guardian_daemon FROZEN_FILE WAY

The file's process number is filled in here. It prints "energised" and the guardian's process number. With the way
"bare" a few lines of Python stand in for the guardian: end of pipe, connection, one line written.
"""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Protocol

from sequencer.safety.freeze import Frozen, Instrument, began, read, write
from sequencer.safety.lifeline import guarded

ENERGISE = {
    "OUTP1 OFF": ("SOUR1:VOLT 0.1", "OUTP1 ON"),
    "OUTP OFF": ("VOLT:PROT 33", "CURR 5", "VOLT 24", "OUTP ON"),
    "REL:STAT OFF": ("REL:HOLD 30", "REL:STAT ON"),
    "CONF:OUTP OFF": ("SOUR:VOLT:PROT:HIGH 33", "SOUR:CURR:LEV 5", "SOUR:VOLT:LEV 24", "CONF:OUTP ON"),
}
BEAT_S = 0.1
BARE = """
import os, socket, sys
link, address, line = socket.socket(), (sys.argv[1], int(sys.argv[2])), (sys.argv[3] + "\\n").encode()
os.write(1, b"armed")
while os.read(0, 64):
    pass
link.connect(address)
link.sendall(line)
"""


class Beaten(Protocol):
    @property
    def pid(self) -> int: ...
    def beat(self) -> None: ...


@dataclass
class Links:
    """Kept open until the process ends."""

    streams: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = field(default_factory=list)

    async def switch(self, frozen: Frozen, *, on: bool) -> None:
        for one, (reader, writer) in zip(frozen.instruments, self.streams, strict=True):
            lines = ENERGISE[one.off[0]] if on else one.off
            writer.write("".join(f"{line}\n" for line in (*lines, one.off_ask)).encode())
            reply = (await reader.readline()).decode().strip().upper()
            assert (reply not in one.off_words) is on, (one.role, reply)

    async def open(self, instruments: tuple[Instrument, ...]) -> None:
        self.streams = [await asyncio.open_connection(one.host, one.port) for one in instruments]

    async def close(self) -> None:
        for _, writer in self.streams:
            writer.close()
            await writer.wait_closed()


class Bare:
    """The least that could switch the supply off."""

    def __init__(self, frozen: Frozen) -> None:
        supply = next(one for one in frozen.instruments if one.role == "supply")
        inner, self._pipe = os.pipe()
        command = [sys.executable, "-P", "-c", BARE, supply.host, str(supply.port), supply.off[0]]
        self._process = subprocess.Popen(command, stdin=inner, stdout=subprocess.PIPE, start_new_session=True)
        os.close(inner)
        assert self._process.stdout is not None
        assert self._process.stdout.read(5) == b"armed"

    @property
    def pid(self) -> int:
        return self._process.pid

    def beat(self) -> None:
        os.write(self._pipe, b"beat\n")


@asynccontextmanager
async def _bare(frozen: Frozen) -> AsyncIterator[Bare]:
    yield Bare(frozen)


async def _beating(guardian: Beaten) -> None:
    while True:
        guardian.beat()
        await asyncio.sleep(BEAT_S)


async def main(path: Path, way: str) -> None:
    frozen, links = replace(read(path), pid=os.getpid(), pid_began=began(os.getpid())), Links()
    write(path, frozen)
    async with _bare(frozen) if way == "bare" else guarded(path) as guardian:
        if way != "never beats":
            guardian.beat()
        await links.open(frozen.instruments)
        await links.switch(frozen, on=True)
        print("energised", guardian.pid, flush=True)
        if way == "never beats":
            await asyncio.sleep(3600)
        beating = asyncio.create_task(_beating(guardian))
        if way in ("beats", "bare"):
            await asyncio.sleep(3600)
        await asyncio.sleep(3 * BEAT_S)
        if way == "blocks":
            while True:  # the loop is busy: nothing in it is served, and its connections stay
                pass
        beating.cancel()
        if way == "raises":
            raise RuntimeError("a fault nobody foresaw")
        if way == "says goodbye":
            await links.switch(frozen, on=False)
            await guardian.goodbye()
            guardian.beat()
            await guardian.goodbye()
            assert not guardian.gone.is_set()
        if way == "hands over":
            await links.close()
            print("confirmed" if await guardian.hand_over() else "not confirmed", flush=True)
        if way == "waits to see it gone":
            await guardian.gone.wait()
            print("gone", flush=True)
    if way == "lingers":  # as one that waits for a thread at its end, its connections open
        await asyncio.sleep(3600)


if __name__ == "__main__":
    asyncio.run(main(Path(sys.argv[1]), sys.argv[2]))
