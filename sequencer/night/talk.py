"""Drives one measurement against the instruments: its thinking in the analysis thread, its requests here."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Generator
from concurrent.futures import Executor
from dataclasses import dataclass
from typing import Any, TypeVar

from drivers.timing import Clock
from sequencer.measurements.requests import BenchReading, Fire, Quiet, ReadBench, Reply, Request, Rest
from sequencer.night.shot import Shooter
from sequencer.plan.window import TRIGGER_CYCLES, TRIGGER_HZ, ShotWindow

T = TypeVar("T")
Told = Callable[[Request, Reply], None]


@dataclass(frozen=True)
class Talker:
    """thinking: the analysis thread. window_of: rate and length of the capture for a burst. read_bench: slow
    readings. silence_of: the capture for so many seconds without signal."""

    shooter: Shooter
    clock: Clock
    thinking: Executor
    window_of: Callable[[float, int], ShotWindow]
    read_bench: Callable[[], Any]
    silence_of: Callable[[float], ShotWindow]

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
            case Quiet():
                return await self.shooter.fire(self._trigger(request), self.silence_of(request.seconds))
            case Rest(seconds=seconds):
                await self.clock.sleep(seconds)
                return None
            case ReadBench():
                reading: BenchReading = await self.read_bench()
                return reading

    def _trigger(self, quiet: Quiet) -> Fire:
        """The least burst that still triggers the digitiser."""
        least_vrms = self.shooter.hands.generator.smallest_vrms
        return Fire(least_vrms, TRIGGER_HZ, TRIGGER_CYCLES, quiet.full_scale_v, "quiet")


def _advance(talk: Generator[Request, Reply, Any], reply: Reply) -> tuple[bool, Any]:
    """(True, result) or (False, request): a StopIteration cannot cross a thread's future."""
    try:
        return False, talk.send(reply)
    except StopIteration as end:
        return True, end.value
