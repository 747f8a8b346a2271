"""Drives one measurement against the instruments: its thinking in the analysis thread, its requests here."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Generator
from concurrent.futures import Executor
from dataclasses import dataclass, field
from typing import Any, Protocol, TypeVar

from drivers.timing import Clock
from sequencer.measurements.requests import (
    Answer,
    Answered,
    Ask,
    AskMeanwhile,
    BenchReading,
    Connect,
    Fire,
    Inputs,
    MeterOn,
    Outputs,
    Quiet,
    ReadBench,
    ReadOhms,
    Remote,
    Reply,
    Request,
    Rest,
    SetSupply,
    Tell,
)
from sequencer.night.asking import Asking, nobody_there
from sequencer.night.shot import Shooter
from sequencer.plan.window import TRIGGER_CYCLES, TRIGGER_HZ, ShotWindow

T = TypeVar("T")
Cool = Callable[[Fire], Awaitable[None]]
Told = Callable[[Request, Reply], None]


async def at_once(request: Fire) -> None:
    """Nobody knows of anything warm."""


class Switching(Protocol):
    """Contacts, supply and remote line of the unit under test."""

    async def connect(self, load: str | None, channels: tuple[str, ...]) -> None: ...
    async def inputs(self, channels: tuple[str, ...] | None) -> None: ...
    async def meter_on(self, channel: str | None) -> None: ...
    async def outputs(self, closed: bool) -> None: ...
    async def set_supply(self, volts: float, limit_a: float, on: bool) -> None: ...
    async def remote(self, on: bool) -> None: ...


class Windows(Protocol):
    """Rate, length and place of a capture: of a burst, and of so many seconds without signal."""

    def of_burst(self, request: Fire) -> ShotWindow: ...
    def of_silence(self, seconds: float) -> ShotWindow: ...


@dataclass(frozen=True)
class Talker:
    """thinking: the analysis thread. read_bench: slow readings. cool: returns once the loads bear that burst."""

    shooter: Shooter
    clock: Clock
    thinking: Executor
    windows: Windows
    read_bench: Callable[[], Any]
    switching: Switching
    asking: Asking = nobody_there
    say: Callable[[str], None] = lambda line: None
    cool: Cool = at_once
    _open: list[asyncio.Future[Answer]] = field(default_factory=list)

    async def measure(self, talk: Generator[Request, Reply, T], told: Told) -> T:
        """Runs `talk` to its end and returns what it returns; `told` hears each request with its reply."""
        loop = asyncio.get_running_loop()
        reply: Reply = None
        try:
            while True:
                done, value = await loop.run_in_executor(self.thinking, _advance, talk, reply)
                if done:
                    result: T = value
                    return result
                reply = await self._serve(value)
                told(value, reply)
        finally:
            self._close_question()

    async def _serve(self, request: Request) -> Reply:
        match request:
            case Fire():
                await self.cool(request)
                return await self.shooter.fire(request, self.windows.of_burst(request))
            case Quiet():
                return await self.shooter.fire(self._trigger(request), self.windows.of_silence(request.seconds))
            case ReadBench():
                reading: BenchReading = await self.read_bench()
                return reading
            case Ask():
                return await self.asking(request)
            case AskMeanwhile(question=question, choices=choices, otherwise=otherwise):
                self._close_question()
                asked = self.asking(Ask(question, choices, otherwise))
                self._open.append(asyncio.ensure_future(asked))
                return None
            case Answered():
                return self._open[0].result() if self._open and self._open[0].done() else None
            case ReadOhms():
                return await self.shooter.ohms()
            case Tell(sentence=sentence):
                self.say(sentence)
                return None
            case _:
                await self._change(request)
                return None

    def _close_question(self) -> None:
        """Nobody waits for its answer any more."""
        for one in self._open:
            one.cancel()
        self._open.clear()

    async def _change(self, request: Rest | SetSupply | Remote | Connect | Inputs | Outputs | MeterOn) -> None:
        match request:
            case Rest(seconds=seconds):
                await self.clock.sleep(seconds)
            case SetSupply(volts=volts, limit_a=limit_a, on=on):
                await self.switching.set_supply(volts, limit_a, on)
            case Remote(on=on):
                await self.switching.remote(on)
            case Connect(load=load, channels=channels):
                await self.switching.connect(load, channels)
            case Inputs(channels=driven):
                await self.switching.inputs(driven)
            case MeterOn(channel=channel):
                await self.switching.meter_on(channel)
            case Outputs(closed=closed):
                await self.switching.outputs(closed)

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
