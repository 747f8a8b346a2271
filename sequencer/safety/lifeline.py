"""The guarded process's end: starts the guardian, beats it, says goodbye, and notices when it is gone."""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import sys
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from sequencer.safety.freeze import EXIT_ACTED

ARMED_WITHIN_S = 10.0
GOODBYE_WITHIN_S = 2.0
OVER_WITHIN_S = 60.0  # its own limits are shorter
CLOSED = -1

_acting: list[subprocess.Popen[bytes]] = []  # left without a goodbye: never waited for, never ended by us


class NotArmed(Exception):
    """The guardian did not come up, and why: nothing may be energised."""


class Lifeline:
    """gone: the guardian's process has ended unasked, or no longer reads."""

    def __init__(self, process: subprocess.Popen[bytes], pipe: int) -> None:
        self._process, self._pipe = process, pipe
        self._loop, self._end = asyncio.get_running_loop(), os.pidfd_open(process.pid)
        self._is_over = asyncio.Event()
        self._is_parted = False  # no more is told to it
        self.gone = asyncio.Event()
        self._loop.add_reader(self._end, self._ended)

    @property
    def pid(self) -> int:
        return self._process.pid

    def beat(self) -> None:
        """Never blocks. A full pipe means that nobody has read for a long time."""
        self._write(b"beat\n")

    async def goodbye(self) -> None:
        """It ends without acting. Only once the bench is confirmed safe, and nothing is energised any more. After it
        `beat` and another goodbye do nothing."""
        await self._part(b"goodbye\n", GOODBYE_WITHIN_S)

    async def hand_over(self) -> bool:
        """For a bench that could not be confirmed safe: the guardian tries, and leaves us alive. Close all links
        before. True if it saw signal and supply off and the rail down."""
        await self._part(b"yours\n", OVER_WITHIN_S)
        return self._process.wait() == EXIT_ACTED

    async def _part(self, word: bytes, within_s: float) -> None:
        self._write(word)
        self._is_parted = True
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(within_s):  # noqa: TID251 (a real process, on the real clock)
                await self._is_over.wait()
        self._process.kill()  # one that hangs; nothing where it has ended

    def close(self) -> None:
        """The pipe ends: without a goodbye the guardian acts now."""
        if self._pipe == CLOSED:
            return
        pipe, self._pipe = self._pipe, CLOSED  # a number that is closed may soon be another file's
        os.close(pipe)
        self._loop.remove_reader(self._end)
        os.close(self._end)
        if self._is_parted:
            self._process.wait()
        else:
            _acting.append(self._process)

    def _write(self, line: bytes) -> None:
        if self._is_parted:
            return
        try:
            os.write(self._pipe, line)
        except OSError:
            self.gone.set()

    def _ended(self) -> None:
        self._loop.remove_reader(self._end)
        self._is_over.set()
        if not self._is_parted:
            self.gone.set()


@asynccontextmanager
async def guarded(frozen: Path) -> AsyncIterator[Lifeline]:
    """Armed inside the block; beat before anything is energised, and go on. Left without `goodbye`, the pipe ends and
    the guardian acts. Raises NotArmed."""
    process, pipe = _started(frozen)
    try:
        await _armed(process)
    except BaseException:
        process.kill()
        process.wait()
        os.close(pipe)
        raise
    lifeline = Lifeline(process, pipe)
    try:
        yield lifeline
    finally:
        lifeline.close()


def _started(frozen: Path) -> tuple[subprocess.Popen[bytes], int]:
    """Not by asyncio, which kills its children when its loop is closed: this one must outlive us. In a session of its
    own, so that a terminal's end and Ctrl-C are not for it. Only we hold the pipe's writing end."""
    inner, outer = os.pipe()
    os.set_blocking(outer, False)
    try:
        command = [sys.executable, "-P", "-m", "sequencer.safety.guardian", str(frozen)]
        process = subprocess.Popen(
            command, stdin=inner, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True
        )
    except BaseException:
        os.close(outer)
        raise
    finally:
        os.close(inner)
    return process, outer


async def _armed(process: subprocess.Popen[bytes]) -> None:
    """Raises NotArmed with what it said instead."""
    reader = asyncio.StreamReader()
    said = b""
    transport, _ = await asyncio.get_running_loop().connect_read_pipe(
        lambda: asyncio.StreamReaderProtocol(reader), process.stdout
    )
    try:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(ARMED_WITHIN_S):  # noqa: TID251 (a real process, on the real clock)
                said = await reader.readline()
                if said != b"armed\n":
                    said += await reader.read()
    finally:
        transport.close()
    if said != b"armed\n":
        why = said.decode(errors="replace").strip() or f"it said nothing within {ARMED_WITHIN_S:g} s"
        raise NotArmed(f"the guardian did not come up, so nothing was energised: {why}")
