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

ARMED_WITHIN_S = 10.0


class NotArmed(Exception):
    """The guardian did not come up: nothing may be energised."""


class Lifeline:
    """gone: the guardian's process has ended, or no longer reads."""

    def __init__(self, process: asyncio.subprocess.Process, pipe: int) -> None:
        self._process, self._pipe = process, pipe
        self.gone = asyncio.Event()
        self._waiting = asyncio.create_task(self._wait(), name="guardian's end")

    @property
    def pid(self) -> int:
        return self._process.pid

    def beat(self) -> None:
        """Never blocks. A full pipe means that nobody has read for a long time."""
        try:
            os.write(self._pipe, b"beat\n")
        except OSError:
            self.gone.set()

    async def goodbye(self) -> None:
        """It ends without acting. Only once the bench is confirmed safe."""
        self._waiting.cancel()
        with contextlib.suppress(OSError):
            os.write(self._pipe, b"goodbye\n")
        await self._process.wait()

    async def _wait(self) -> None:
        await self._process.wait()
        self.gone.set()


@asynccontextmanager
async def guarded(frozen: Path) -> AsyncIterator[Lifeline]:
    """Armed inside the block. Left without `goodbye`, the pipe ends and the guardian acts. Raises NotArmed."""
    inner, outer = os.pipe()
    os.set_blocking(outer, False)
    try:
        process = await asyncio.create_subprocess_exec(
            sys.executable, "-P", "-m", "sequencer.safety.guardian", str(frozen),
            stdin=inner, stdout=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
    finally:
        os.close(inner)
    try:
        await _armed(process)
        lifeline = Lifeline(process, outer)
        try:
            yield lifeline
        finally:
            lifeline._waiting.cancel()
    finally:
        os.close(outer)


async def _armed(process: asyncio.subprocess.Process) -> None:
    assert process.stdout is not None
    try:
        async with asyncio.timeout(ARMED_WITHIN_S):  # noqa: TID251 (the guardian lives on the real clock)
            line = await process.stdout.readline()
    except TimeoutError:
        line = b""
    if line != b"armed\n":
        process.kill()
        await process.wait()
        raise NotArmed("the guardian's process did not come up; nothing was energised")
