"""Rehearsals as processes of their own, with a broker named."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import signal
import sys
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path

LIMIT_S = 120.0
LEAVES_OFF = "waiting up to"  # said when the night is over and the outbox is not empty


@dataclass
class NightProcess:
    """`lines`: what it has said so far."""

    out: Path
    process: asyncio.subprocess.Process
    lines: list[str] = field(default_factory=list)

    async def said(self, words: str) -> bool:
        """Reads until a line holds the words; False where it ended without."""
        assert self.process.stdout is not None
        async with asyncio.timeout(LIMIT_S):
            async for line in self.process.stdout:
                self.lines.append(line.decode().rstrip())
                if words in self.lines[-1]:
                    return True
        return False

    async def ended(self, *, hurry: bool = False) -> int:
        """Its exit code. hurry: Ctrl-C as soon as it only waits for the broker."""
        if hurry and await self.said(LEAVES_OFF):
            self.process.send_signal(signal.SIGINT)
        await self.said("\0")  # to its end
        return await self.process.wait()

    @property
    def text(self) -> str:
        return "\n".join(self.lines)

    @property
    def outbox_line(self) -> str:
        (line,) = [one for one in self.lines if "in the outbox" in one and "messages sent" in one]
        return line

    @property
    def kept(self) -> list[int]:
        """Numbers of all messages of the night."""
        return [json.loads(line)["payload"]["seq"] for line in (self.out / "messages.jsonl").read_text().splitlines()]

    @property
    def digest(self) -> str:
        return hashlib.sha256((self.out / "results.json").read_bytes()).hexdigest()


@contextlib.asynccontextmanager
async def night(out: Path, broker: str | None, *more: str, **environment: str) -> AsyncIterator[NightProcess]:
    """`dry-run first` into `out`; ended with its test."""
    process = await asyncio.create_subprocess_exec(
        *(sys.executable, "-P", "-m", "sequencer", "dry-run", "first", "--out", str(out)),
        *(() if broker is None else ("--broker", broker)),
        *more,
        stdout=asyncio.subprocess.PIPE,
        stderr=asyncio.subprocess.STDOUT,
        env=os.environ | {"PYTHONUNBUFFERED": "1", "PYTHONHASHSEED": "random"} | environment,
    )
    try:
        yield NightProcess(out, process)
    finally:
        if process.returncode is None:
            process.kill()
            await process.communicate()
