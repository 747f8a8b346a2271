"""Drives one measurement against the instruments: its thinking in the analysis thread, its requests here."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any, TypeVar

from drivers.timing import Clock
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Rest
from sequencer.night.shot import Shooter
from sequencer.plan.estimate import ShotWindow

T = TypeVar("T")
Told = Callable[[Request, Reply], None]


@dataclass(frozen=True)
class Talker:
    """thinking: the analysis thread. window_of: rate and length of the capture for a burst. read_bench: slow
    readings."""

    shooter: Shooter
    clock: Clock
    thinking: Executor
    window_of: Callable[[float, int], ShotWindow]
    read_bench: Callable[[], Any]

    async def measure(self, talk: Generator[Request, Reply, T], told: Told) -> T:
        """Runs `talk` to its end and returns what it returns; `told` hears each request with its reply."""
        loop = asyncio.get_running_loop()
        reply: Reply = None
        while True:
            done, value = await loop.run_in_executor(self.thinking, _advance, talk, reply)
            if done:
                result: T = value
                return result
            reply = await self._serve(value)
            told(value, reply)

    async def _serve(self, request: Request) -> Reply:
        match request:
            case Fire():
                return await self.shooter.fire(request, self.window_of(request.frequency_hz, request.cycles))
            case Rest(seconds=seconds):
                await self.clock.sleep(seconds)
                return None
            case ReadBench():
                reading: BenchReading = await self.read_bench()
                return reading


def _advance(talk: Generator[Request, Reply, Any], reply: Reply) -> tuple[bool, Any]:
    """(True, result) or (False, request): a StopIteration cannot cross a thread's future."""
    try:
        return False, talk.send(reply)
    except StopIteration as end:
        return True, end.value
