"""Who hears a signal, and who hears that a night makes progress. The rules are DEVELOPERS.md's, "The daemon"."""

from __future__ import annotations

import asyncio
import os
import signal
from dataclasses import dataclass, field

import pytest

from sequencer.clock import RealClock, VirtualClock, run_real, run_virtual
from sequencer.night.guarding import BEAT_S, STALE_S, Guarding
from sequencer.night.supervise import listening


def kill() -> None:
    os.kill(os.getpid(), signal.SIGTERM)


def test_nested_listeners_hear_all_signals_and_the_last_one_gives_them_back() -> None:
    """signal(7): a signal goes to the process; here both who listen hear it, whoever came last."""
    before = signal.getsignal(signal.SIGTERM)

    async def main(clock: RealClock) -> None:
        with listening() as outer:
            with listening() as inner:
                kill()
                await asyncio.gather(outer.first.wait(), inner.first.wait())
            kill()  # the inner one has gone, and its going took nothing from the outer one
            await outer.second.wait()
            assert (outer.count, inner.count) == (2, 1)
            with listening() as later, listening(earlier=True) as heir:
                assert (later.count, heir.count) == (0, 1)
                assert heir.first.is_set()

    run_real(main)
    assert signal.getsignal(signal.SIGTERM) == before


@dataclass
class Pipe:
    """A lifeline that counts."""

    beats: int = 0
    gone: asyncio.Event = field(default_factory=asyncio.Event)

    def beat(self) -> None:
        self.beats += 1

    async def goodbye(self) -> None: ...

    async def hand_over(self) -> bool:
        return True


@dataclass
class Manager:
    watched: bool = False
    heard: int = 0

    def alive(self) -> None:
        assert self.watched
        self.heard += 1


@dataclass
class Stuck:
    """A watch that makes no progress from a moment on, bench clock, ns."""

    from_ns: int

    def is_late(self, now_ns: int, stale_s: float) -> bool:
        return now_ns - self.from_ns > round(stale_s * 1e9)


@pytest.mark.parametrize(("stuck_at_s", "beats_s"), [(1000.0, 10.0), (2.0, 2.0 + STALE_S)])
def test_the_manager_hears_what_the_guardian_hears(stuck_at_s: float, beats_s: float) -> None:
    """10 s at a beat each 0.1 s; a watch that stops at 2 s is late 3 s after it, and then nobody hears anything."""
    pipe, manager = Pipe(), Manager()

    async def main(clock: VirtualClock) -> None:
        guarding = Guarding(pipe, clock, manager)
        async with guarding.beating(Stuck(round(stuck_at_s * 1e9))):  # type: ignore[arg-type]
            assert manager.watched
            await clock.sleep(10.0)
        assert not manager.watched

    run_virtual(main)
    assert pipe.beats == manager.heard
    assert pipe.beats == pytest.approx(beats_s / BEAT_S, abs=1)
