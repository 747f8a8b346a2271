"""`nightramp serve --page` on simulated instruments in another process, and what browsers are held against."""

from __future__ import annotations

import asyncio
import re
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import aiohttp

from sequencer.errors import EXIT_DONE
from tests.processes.asking import ASKS as ONE_QUESTION
from tests.processes.simulated import LIMIT_S, UNPROVED, Simulated, command, ended, environment

ASKS = (
    ONE_QUESTION
    + """
[[stage]]
name = "powers"
measurement = "output_power"
loads = ["8R", "4R"]
drives = ["20 cycles", "8 cycles"]
"""
)
POWERS = ASKS.replace('by_hand = "bass and treble to the middle"\n', "")


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def queued(bench: Simulated, ledger: Path, plan: str, *more: str) -> None:
    path = ledger.parent / f"{len(plan)}.toml"
    path.write_text(plan)
    words = ["queue", "--ledger", str(ledger), "add", str(path), "--bench", str(bench.bench), "--unit", "ferry_pa_60"]
    done = ended(bench, *words, *more)
    assert done.returncode == EXIT_DONE, done.stderr


@dataclass
class Daemon:
    """One `serve`, with what it said so far."""

    process: subprocess.Popen[str]
    lines: list[str] = field(default_factory=list)
    reader: threading.Thread | None = None

    def read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self.lines.append(line.rstrip("\n"))

    def page(self) -> tuple[str, str]:
        """Address and token, as printed."""
        until_s = time.monotonic() + LIMIT_S
        while time.monotonic() < until_s and self.process.poll() is None:
            for line in self.lines:
                if found := re.match(r"page: (\S+) \(what can energise wants this token: (\S+)\)", line):
                    return found[1], found[2]
            time.sleep(0.02)
        raise AssertionError("\n".join(self.lines))


@contextmanager
def serving(bench: Simulated, ledger: Path, port: int, *more: str) -> Iterator[Daemon]:
    words = ["serve", "--bench", str(bench.bench), "--ledger", str(ledger), "--armed-by", "the workshop"]
    process = subprocess.Popen(
        command(*words, *UNPROVED, "--page", f"127.0.0.1:{port}", *more),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent),
    )
    one = Daemon(process)
    one.reader = threading.Thread(target=one.read, daemon=True)
    one.reader.start()
    try:
        yield one
    finally:
        process.kill()
        process.wait()
        one.reader.join(LIMIT_S)
        assert process.stdout is not None
        process.stdout.close()


@contextmanager
def elsewhere() -> Iterator[str]:
    """An empty page of another origin."""

    class Empty(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>elsewhere</title><link rel=icon href=data:,><p>elsewhere")

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Empty)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://localhost:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def luminance(rgb: tuple[float, float, float]) -> float:
    """Relative luminance (WCAG 2.2, its glossary)."""
    parts = [c / 255.0 for c in rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Of two computed colours, `rgb(r, g, b)` (WCAG 2.2, "contrast ratio")."""
    found = [tuple(map(float, re.findall(r"[\d.]+", colour)[:3])) for colour in (one, other)]
    low, high = sorted(luminance((rgb[0], rgb[1], rgb[2])) for rgb in found)
    return (high + 0.05) / (low + 0.05)


def watched(address: str, stop: threading.Event, seen: list[int], count: int = 20) -> None:
    """So many browsers' streams, until `stop`. seen: how many pieces of news they had."""

    async def look(session: aiohttp.ClientSession) -> None:
        async with session.get(address + "events") as stream:
            async for line in stream.content:
                seen[0] += line.startswith(b"event: parts")

    async def all_of_them() -> None:
        async with aiohttp.ClientSession(connector=aiohttp.TCPConnector(limit=0), read_bufsize=2**20) as session:
            viewers = [asyncio.create_task(look(session)) for _ in range(count)]
            await asyncio.to_thread(stop.wait)
            for one in viewers:
                one.cancel()
            await asyncio.gather(*viewers, return_exceptions=True)

    asyncio.run(all_of_them())


def until(what: Callable[[], bool]) -> bool:
    until_s = time.monotonic() + LIMIT_S
    while time.monotonic() < until_s:
        if what():
            return True
        time.sleep(0.02)
    return False
