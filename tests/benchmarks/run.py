"""`python -m tests.benchmarks.run`: one table of ratios to floors measured in the same run; seconds are only printed.

Floors: a bare interpreter for the start; a bare socket's query for the exchange; one rfft for the analysis.
"""

from __future__ import annotations

import json
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does, before numpy comes in

import numpy as np

from sequencer.compose import DryRun, dry_run

RESULTS = Path(__file__).parent / "results"
CLOCK = time.perf_counter  # real time is what a benchmark measures


def median_s(act: Callable[[], Any], rounds: int = 9) -> float:
    times = []
    for _ in range(rounds):
        begun = CLOCK()
        act()
        times.append(CLOCK() - begun)
    return statistics.median(times)


def start_of_help() -> dict[str, float]:
    def run(*arguments: str) -> Callable[[], Any]:
        return lambda: subprocess.run([sys.executable, "-P", *arguments], check=True, capture_output=True)

    floor = median_s(run("-c", "pass"))
    helped = median_s(run("-m", "sequencer", "--help"))
    return {"bare interpreter ms": floor * 1e3, "--help ms": helped * 1e3, "ratio": helped / floor}


def bare_query_s(rounds: int = 2000) -> float:
    """A bare socket's query and reply over loopback: the floor of an exchange."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        peer, _ = listener.accept()
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with peer:
            while peer.recv(100):
                peer.sendall(b"1\n")

    threading.Thread(target=serve, daemon=True).start()
    with socket.create_connection(listener.getsockname()) as ours, listener:
        ours.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

        def query() -> None:
            ours.sendall(b"*OPC?\n")
            ours.recv(100)

        return median_s(query, rounds)


class Shares:
    """Wall time by room, by wrapping the one function through which each room is entered."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self.calls: dict[str, int] = {}

    def wrap(self, owner: Any, name: str, room: str) -> None:
        inner = getattr(owner, name)

        def timed(*arguments: Any, **named: Any) -> Any:
            begun = CLOCK()
            try:
                return inner(*arguments, **named)
            finally:
                self.spent[room] = self.spent.get(room, 0.0) + CLOCK() - begun
                self.calls[room] = self.calls.get(room, 0) + 1

        setattr(owner, name, timed)


def demo_shares() -> dict[str, float]:
    from sequencer.ledger import results, store, traces
    from sequencer.night import keeping, talk
    from simulators import server

    shares = Shares()
    shares.wrap(talk, "_advance", "analysis")
    shares.wrap(server.InstrumentServer, "_execute", "world and panels")
    for owner, name in [(store.Ledger, "keep_point"), (store.Ledger, "begin_run"), (store.Ledger, "end_run")]:
        shares.wrap(owner, name, "ledger")
    for name in ("write_trace", "write_results"):
        shares.wrap(keeping, name, "ledger")
    assert results
    assert traces
    with tempfile.TemporaryDirectory() as folder:
        begun = CLOCK()
        done = dry_run(DryRun(plan="demo", out=Path(folder) / "out"), say=lambda line: None)
        wall = CLOCK() - begun
    exchanges = shares.calls["world and panels"]
    table = {f"share {room} %": 100.0 * spent / wall for room, spent in shares.spent.items()}
    table["share bus and clock %"] = 100.0 - sum(table.values())
    floor = bare_query_s()
    return table | {
        "demo wall s": wall,
        "bench s per wall s": done.bench_s / wall,
        "exchanges": exchanges,
        "exchanges per s": exchanges / wall,
        "bare query us": floor * 1e6,
        "exchange / bare query": wall / exchanges / floor,
    }


def analysis(per_cycle: int = 1000) -> dict[str, float]:
    """One 20-cycle burst, per-cycle table included, against one rfft of its 21 cycles' samples, interleaved medians."""
    from sequencer.analysis.burst import read_burst
    from sequencer.analysis.records import Record

    dt = 1e-3 / per_cycle
    t = -5e-4 + dt * np.arange(21 * per_cycle)
    wave = np.where((t >= 0) & (t < 0.02), np.clip(31 * np.sin(2e3 * np.pi * t), -30, 30), 0.0)
    volts = np.round(wave / 0.02) * 0.02
    record = Record(volts, dt, -5e-4, 0.02, 40.0, False, 12)
    np.zeros(3_000_000)  # a large free first: the allocator then keeps its buffers
    ours, floor = [], []
    for _ in range(60):
        begun = CLOCK()
        np.fft.rfft(volts)
        floor.append(CLOCK() - begun)
        begun = CLOCK()
        read_burst(record, 1000.0, 20)
        ours.append(CLOCK() - begun)
    a, b = statistics.median(ours), statistics.median(floor)
    return {"rfft us": b * 1e6, "burst reading us": a * 1e6, "ratio": a / b}


def main() -> None:
    table = {
        "start": start_of_help(),
        "analysis": analysis(),
        "analysis, 105,000 samples": analysis(5000),
        "dry run": demo_shares(),
    }
    RESULTS.mkdir(exist_ok=True)
    newest = RESULTS / "latest.json"
    before = json.loads(newest.read_text()) if newest.exists() else {}
    for part, rows in table.items():
        print(part)
        for name, value in rows.items():
            old = before.get(part, {}).get(name)
            was = "" if old is None else f"   (before: {old:.4g})"
            print(f"  {name:28} {value:10.4g}{was}")
    newest.write_text(json.dumps(table, indent=1, sort_keys=True))


if __name__ == "__main__":
    main()
