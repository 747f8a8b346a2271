"""A simulated generator and supply (with many connections a cut-off too) as TCP servers on the real clock, in a process
of their own: they must outlive a daemon that is killed. Each message as it was taken in goes to a file, with the
machine's monotonic nanoseconds.

    python -P -m tests.processes.guardian_bench SUPPLY_FRONT single|many LOG

It prints its addresses as one line of JSON, and serves until its standard input ends.
"""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sequencer.clock import RealClock, run_real
from simulators.bench import BenchSpec, Instrument, SimulatedBench
from simulators.world.layout import Bay
from simulators.world.unit_truth import ChannelTruth, FeedTruth, RailTruth, UnitTruth

ROOT = Path(__file__).resolve().parents[2]
BLEED_TAU_S = 0.1  # from 24 V to 2 V in tau ln 12, a quarter of a second
UNIT = UnitTruth("MV-0900", (ChannelTruth("A"),), RailTruth(24.0), FeedTruth(bleed_tau_s=BLEED_TAU_S))


@dataclass(frozen=True)
class Taken:
    """One message at the instrument."""

    at_ns: int
    front: str
    message: str


@dataclass(frozen=True)
class GuardedBench:
    """addresses: VISA resource per role. single: each instrument serves one connection and ignores the next."""

    addresses: dict[str, str]
    supply_front: str
    single: bool
    log: Path

    def taken(self, since_ns: int) -> list[Taken]:
        lines = [line.split("\t") for line in self.log.read_text().splitlines()]
        return [Taken(int(at), front, message) for at, front, message in lines if int(at) >= since_ns]


@contextmanager
def guarded_bench(supply_front: str, log: Path, *, single: bool) -> Iterator[GuardedBench]:
    """Ends with the block."""
    command = ["-P", "-m", "tests.processes.guardian_bench", supply_front, "single" if single else "many", str(log)]
    process = subprocess.Popen(
        [sys.executable, *command],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        yield GuardedBench(json.loads(process.stdout.readline()), supply_front, single, log)
    finally:
        process.stdin.close()
        process.wait(timeout=30)
        process.stdout.close()


async def _serve(clock: RealClock) -> None:
    supply_front, connections, log = sys.argv[1:]
    file = os.open(log, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)

    def keep(_now_ns: int, front: str, message: str, _reply: bytes | None) -> None:
        os.write(file, f"{time.monotonic_ns()}\t{front}\t{message}\n".encode())

    single = connections == "single"
    roles = {
        "generator": Instrument("generator-a", "SN-1", single_connection=single),
        "supply": Instrument(supply_front, "SN-2", single_connection=single),
    }
    if not single:
        roles["cut_off"] = Instrument("cut-off-a", "SN-3")
    bench = SimulatedBench(BenchSpec(roles, {}, {}, (Bay("1", UNIT),)), clock, 1, log=keep)
    print(json.dumps(await bench.start()), flush=True)
    ended = asyncio.Event()
    asyncio.get_running_loop().add_reader(0, ended.set)
    await ended.wait()
    await bench.stop()


if __name__ == "__main__":
    run_real(_serve)
