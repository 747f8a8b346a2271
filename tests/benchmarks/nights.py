"""A rehearsed night by rooms, its exchanges against bare queries, its pages, and memory night after night."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

from sequencer.compose import DryRun, dry_run
from tests.benchmarks.table import CLOCK, Row, median_s
from tests.processes.test_thirty_nights import SEVERAL

NIGHTS = int(os.environ.get("NIGHTRAMP_NIGHTS", "30"))
PLAN = "first"


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


def shares() -> list[Row]:
    """Of the demo night, pages left out: they are a process of their own."""
    from sequencer.ledger import store
    from sequencer.night import keeping, talk
    from simulators import server

    found = Shares()
    found.wrap(talk, "_advance", "analysis")
    found.wrap(server.InstrumentServer, "_execute", "world and panels")
    for name in ("keep_point", "begin_run", "end_run"):
        found.wrap(store.Ledger, name, "ledger")
    for name in ("write_trace", "write_results"):
        found.wrap(keeping, name, "ledger")
    with tempfile.TemporaryDirectory() as folder:
        begun = CLOCK()
        done = dry_run(DryRun(plan=None, out=Path(folder) / "out"), say=lambda line: None)
        wall = CLOCK() - begun
    exchanges, query = found.calls["world and panels"], 1e6 * bare_query_s()
    part = {room: 100.0 * spent / wall for room, spent in found.spent.items()}
    part["bus, clock and the rest"] = 100.0 - sum(part.values())
    return [
        *[Row("demo night", f"share of {room}", share, "%") for room, share in sorted(part.items())],
        Row("demo night", "an exchange, all that hangs on it", 1e6 * wall / exchanges, "us", "a bare query", query),
        Row("demo night", "wall", wall, "s", budget_is="seconds are printed, never asserted"),
        Row("demo night", "bench time a second", done.bench_s / wall, "s"),
    ]


def memory() -> list[Row]:
    with tempfile.TemporaryDirectory() as folder:
        script = SEVERAL.replace('"demo"', f'"{PLAN}"')
        done = subprocess.run(
            [sys.executable, "-P", "-c", script, folder, str(NIGHTS)], capture_output=True, text=True, check=True
        )
    kept = [int(line.split()[0]) / 1024.0 for line in done.stdout.splitlines()]
    return [Row("memory", f"after {len(kept)} small nights", kept[-1], "MB", "after the second", kept[1])]
