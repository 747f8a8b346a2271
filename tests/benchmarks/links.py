"""From a trip to OFF at the instruments, and from a death to OFF by the guardian, against round trips of the same
links; the outbox against bare loops."""

from __future__ import annotations

import asyncio
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path

from sequencer.ledger.rows import Message
from tests.benchmarks.table import Row
from tests.browser.viewers import looked_at
from tests.processes import test_mqtt_volume as volume
from tests.processes.broker import real_broker
from tests.processes.guarded import toy
from tests.processes.guardian_bench import GuardedBench, guarded_bench
from tests.processes.simulated import simulated
from tests.processes.test_trip_latency import measured

KILLS = 7
LOOKED_S = 8.0


def trips() -> list[Row]:
    found = list[Row]()
    for what in ("idle", "a long block under way", "20 viewers of the page"):
        with tempfile.TemporaryDirectory() as folder:
            looked = looked_at(Path(folder)) if what.startswith("20") else nullcontext()
            with simulated(Path(folder)) as bench, looked:
                trips_s, latencies_s = measured(bench, busy=what.startswith("a long"))
        floor_ms = 1e3 * statistics.median(trips_s)
        found.append(
            Row("trip to OFF", what, 1e3 * statistics.median(latencies_s), "ms", "a round trip of that link", floor_ms)
        )
    return found


def page() -> list[Row]:
    """The page's thread while shots and readings go by, of one core."""
    shares = {}
    for viewers in (1, 20):
        with tempfile.TemporaryDirectory() as folder, looked_at(Path(folder), viewers) as looked:
            before, begun = looked.cpu_s(), time.perf_counter()
            time.sleep(LOOKED_S)
            shares[viewers] = 100.0 * (looked.cpu_s() - before) / (time.perf_counter() - begun)
    return [Row("page", "20 viewers, share of a core", shares[20], "%", "one viewer", shares[1])]


def guardian() -> list[Row]:
    """Killed by SIGKILL: until both have taken their OFF. Floor: reaping a killed process that holds a pipe."""
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        with guarded_bench("supply-a", root / "taken", single=False) as bench:
            latencies_ms = [_killed_ms(bench, root / str(number)) for number in range(KILLS)]
    floor_ms = 1e3 * statistics.median(_bare_death_s() for _ in range(KILLS))
    return [
        Row("guardian", "kill -9 to OFF", statistics.median(latencies_ms), "ms", "end of a bare pipe seen", floor_ms),
        Row("guardian", "kill -9 to OFF, worst", max(latencies_ms), "ms", "end of a bare pipe seen", floor_ms),
    ]


def _killed_ms(bench: GuardedBench, folder: Path) -> float:
    folder.mkdir()
    with toy(bench, folder, "beats") as one:
        at_ns = one.harm(signal.SIGKILL)
        return 1e-6 * (max(one.off_ns(at_ns).values()) - at_ns)


def _bare_death_s() -> float:
    """From SIGKILL to the end of file on a pipe that the dead process held."""
    ours, theirs = os.pipe()
    one = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(60)"], pass_fds=(theirs,))
    os.close(theirs)
    begun = time.perf_counter()
    one.kill()
    os.read(ours, 1)
    spent = time.perf_counter() - begun
    os.close(ours)
    one.wait()
    return spent


async def _outbox() -> list[Row]:
    with tempfile.TemporaryDirectory() as folder, real_broker(Path(folder) / "broker") as broker:
        broker.up()
        root = Path(folder)
        bare_all = await volume.bare_rate(broker.port)
        async with volume.feeding(root, broker.port, volume.MANY) as one:
            begun = time.perf_counter()
            await one.until_marked()
            ours_all = volume.MANY / (time.perf_counter() - begun)
            await one.done()
        bare_each = await volume.bare_loop(root / "bare.sqlite", broker.port)
        (root / "each").mkdir()
        message = Message("nightramp/1/b/point", {"text": "x" * 450}, False)
        async with volume.feeding(root / "each", broker.port, 0) as one:
            begun = time.perf_counter()
            for _ in range(volume.KEPT):
                await one.desk.book.do(one.desk.ledger.keep_messages, [message])
            await one.until_marked()
            ours_each = volume.KEPT / (time.perf_counter() - begun)
            await one.done()
    return [
        Row(
            "outbox",
            "all waiting, told and marked",
            1e3 / ours_all,
            "ms each",
            "client alone, nothing kept",
            1e3 / bare_all,
        ),
        Row(
            "outbox",
            "kept one by one, told, marked",
            1e3 / ours_each,
            "ms each",
            "insert, publish, mark",
            1e3 / bare_each,
        ),
    ]


def outbox() -> list[Row]:
    return asyncio.run(_outbox())
