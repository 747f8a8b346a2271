"""From the moment a rule says trip to the OFF as the simulated instruments took it, beside a round trip of the same
link in the same run: idle, while a long block is being fetched, and while a page is looked at."""

from __future__ import annotations

import asyncio
import statistics
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from drivers.roles.capture import Capture
from sequencer.clock import RealClock, run_real
from sequencer.measurements.requests import BenchReading
from sequencer.night.watch import Under, Watch
from sequencer.plan.load import load_bench
from sequencer.plan.models import ROLES
from sequencer.plan.watching import Periods
from sequencer.roles import Instruments, build, load_dialects
from sequencer.safety.rules import Seen
from tests.browser.viewers import looked_at
from tests.processes.run_trial import Tail
from tests.processes.simulated import Simulated, simulated

pytestmark = pytest.mark.process

TIMES = 40
MOST = 3.0  # round trips of the same link
CONTACTS = ["201", "202", "203"]
BLOCK = Capture({1: 5.0, 2: 5.0}, 200_000.0, 20_000, 0.0)


class TripNow(Exception):
    """What the judge says."""


@dataclass
class Bench:
    """Powered without a night: what the watch asks of its surroundings."""

    supply_v: float | None = 24.0
    changed_ns: int = -(10**12)
    changing: bool = False
    tone_ns: tuple[int, int] = (0, -(10**12))
    reserved_from_ns: int | None = None
    told_ns: list[int] = field(default_factory=list)

    def saw_limit(self) -> None:
        """Nobody fires here."""


async def powered(instruments: Instruments) -> None:
    hands = instruments.hands
    await hands.load_switch.close(CONTACTS)
    await hands.supply.set(24.0, 5.0)
    await hands.supply.output(True)


async def trip_once(instruments: Instruments, clock: RealClock, bench: Bench) -> None:
    """The watch looks, its judge says trip, and it switches off: as in a night."""
    hands = instruments.hands

    async def off() -> None:
        await asyncio.gather(hands.generator.make_safe(), hands.supply.make_safe())

    async def look() -> BenchReading:
        reading = await hands.supply.read()
        return BenchReading(reading.volts, reading.amps, False, None, {}, clock.now_ns())

    def judge(seen: Seen) -> Exception:
        bench.told_ns.append(time.monotonic_ns())
        return TripNow()

    watch = Watch(clock, bench, off)
    with suppress(TripNow):
        async with watch.over(Under(bench, Periods(0.02, 0.02), look, judge)):
            await clock.sleep(30.0)
    await instruments.hands.supply.prepare()


@asynccontextmanager
async def fetching(instruments: Instruments) -> AsyncIterator[None]:
    """A long block is under way all the time."""
    digitiser = instruments.hands.digitiser

    async def over_and_over() -> None:
        while True:
            await digitiser.fetch(1)

    task = asyncio.create_task(over_and_over())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait((task,))


async def round_trips_s(instruments: Instruments) -> list[float]:
    actor, found = instruments.actors["supply"], []
    for _ in range(TIMES):
        begun_ns = time.monotonic_ns()
        await actor.ask("OUTP?")
        found.append((time.monotonic_ns() - begun_ns) * 1e-9)
    return found


async def record(instruments: Instruments) -> None:
    """Something to fetch."""
    hands = instruments.hands
    await hands.digitiser.set_capture(BLOCK)
    await hands.generator.output(True)
    await hands.generator.set_burst(0.05, 1000.0, 20)
    await hands.digitiser.arm()
    await hands.generator.fire()
    await hands.digitiser.wait_complete(5.0)


def measured(bench: Simulated, *, busy: bool) -> tuple[list[float], list[float]]:
    """(round trips, latencies of the later of the two OFFs), s."""
    loaded = load_bench(str(bench.bench))
    addresses = {name: loaded.model.role[name].address for name in ROLES}
    around = Bench()

    async def main(clock: RealClock) -> list[float]:
        instruments = build(loaded.model, load_dialects(loaded), addresses, clock)
        hands = instruments.hands
        for one in (hands.generator, hands.digitiser, hands.supply, hands.load_switch, hands.thermometer):
            await one.prepare()
        await powered(instruments)
        await record(instruments)
        try:
            async with fetching(instruments) if busy else asyncio.timeout(None):
                trips_s = await round_trips_s(instruments)
                for _ in range(TIMES):
                    await powered(instruments)
                    await trip_once(instruments, clock, around)
        finally:
            await instruments.close()
        return trips_s

    begun_ns = time.monotonic_ns()
    trips_s = run_real(main)
    tail = Tail(bench.log)
    try:
        offs = [[tail.first_ns(role, line, at) for at in around.told_ns] for role, line in OFF]
    finally:
        tail.close()
    assert begun_ns < around.told_ns[0]
    return trips_s, [(max(pair) - at) * 1e-9 for at, pair in zip(around.told_ns, zip(*offs, strict=True), strict=True)]


OFF = (("supply", "OUTP OFF"), ("generator", "OUTP1 OFF"))


@pytest.mark.parametrize("way", ["idle", "a block under way", "20 viewers of the page"])
def test_off_within_three_round_trips(way: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    looked = looked_at(tmp_path) if way.startswith("20") else nullcontext()
    with simulated(tmp_path) as bench, looked:
        trips_s, latencies_s = measured(bench, busy=way == "a block under way")
    assert len(latencies_s) == TIMES
    ordered_ms, trip_ms = sorted(1e3 * s for s in latencies_s), 1e3 * statistics.median(trips_s)
    median_ms, p99_ms = statistics.median(ordered_ms), ordered_ms[round(0.99 * (TIMES - 1))]
    with capsys.disabled():
        print(f"\ntrip to OFF, {way}: median {median_ms:.2f} ms, p99 {p99_ms:.2f} ms; a round trip {trip_ms:.2f} ms")
    assert median_ms <= MOST * trip_ms
