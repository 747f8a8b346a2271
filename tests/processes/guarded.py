"""A guarded toy as a process, what is done to it, and what came of it at the simulated instruments."""

from __future__ import annotations

import json
import os
import pty
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from drivers.dialect import load_dialect
from sequencer.safety.freeze import Frozen, Instrument, write
from sequencer.safety.frozen_bench import Held, freeze
from tests.processes.guardian_bench import ROOT, GuardedBench

PATIENCE_S = 30.0
ENVIRONMENT = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


def frozen_of(bench: GuardedBench, folder: Path, **changed: Any) -> Frozen:
    """As its dialects have it; the toy fills in its own process number."""
    dialects = {
        "generator": load_dialect("generator-a", "generator"),
        "supply": load_dialect(bench.supply_front, "supply"),
    }
    if "cut_off" in bench.addresses:
        dialects["cut_off"] = load_dialect("cut-off-a", "cut_off")
    held = Held("r1", "workshop", os.getpid(), 1, str(folder / "record.jsonl"), 5.0)
    return replace(freeze(held, dialects, bench.addresses), **changed)


@dataclass
class Toy:
    """pid, guardian: process numbers. output: descriptor of what it prints."""

    bench: GuardedBench
    frozen: Frozen
    pid: int
    guardian: int
    output: int

    def harm(self, number: signal.Signals) -> int:
        """The machine's monotonic nanoseconds just before the signal."""
        at_ns = time.monotonic_ns()
        os.kill(self.pid, number)
        return at_ns

    @property
    def record(self) -> list[dict[str, Any]]:
        """Whole lines only: the last one may be on its way."""
        text = Path(self.frozen.record).read_text()
        return [json.loads(line) for line in text.split("\n")[:-1]]

    def record_ended(self) -> dict[str, Any]:
        """The guardian's last line, once it is there."""
        until(lambda: any("confirmed" in line for line in self.record), "the guardian's last word")
        return self.record[-1]

    def off_ns(self, since_ns: int) -> dict[str, int]:
        """When each instrument first took in that it shall be off; waits for it."""
        return {one.role: self._off_ns(one, since_ns) for one in self.frozen.instruments}

    def _off_ns(self, one: Instrument, since_ns: int) -> int:
        def found() -> list[int]:
            return [taken.at_ns for taken in self.bench.taken(since_ns) if taken.message == one.off[0]]

        until(lambda: bool(found()), f"{one.off[0]} at the {one.role}")
        return found()[0]

    def said(self) -> str:
        """One line of what it prints."""
        line = b""
        while not line.endswith(b"\n"):
            piece = os.read(self.output, 1)
            assert piece, f"it ended after {line!r}"
            line += piece
        return line.decode().strip()

    def ended(self) -> int:
        """Its exit code, negative for a signal."""
        until(lambda: is_dead(self.pid), "the end of the toy")
        return os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])


@contextmanager
def toy(bench: GuardedBench, folder: Path, way: str, *, terminal: bool = False, **changed: Any) -> Iterator[Toy]:
    """Energised inside the block; what is left of it and of its guardian is ended after it."""
    frozen = frozen_of(bench, folder, **changed)
    path = folder / "frozen.json"
    write(path, frozen)
    command = [sys.executable, "-P", "-m", "tests.processes.guardian_daemon", str(path), way]
    pid, output = _in_terminal(command) if terminal else _plain(command)
    one = Toy(bench, frozen, pid, 0, output)
    try:
        word, guardian = one.said().split()
        assert word == "energised"
        one.guardian = int(guardian)
        assert all(reads_on(each) for each in frozen.instruments if not bench.single), "nothing was energised"
        yield one
    finally:
        for each in (one.pid, one.guardian):
            if each:
                with suppress(ProcessLookupError):
                    os.kill(each, signal.SIGKILL)
        with suppress(ChildProcessError):
            os.waitpid(pid, 0)
        with suppress(OSError):
            os.close(output)


def _plain(command: list[str]) -> tuple[int, int]:
    reading, writing = os.pipe()
    process = subprocess.Popen(command, stdout=writing, env=ENVIRONMENT)
    os.close(writing)
    process.returncode = 0  # it is waited for by number
    return process.pid, reading


def _in_terminal(command: list[str]) -> tuple[int, int]:
    pid, master = pty.fork()
    if pid == 0:
        os.execve(command[0], command, ENVIRONMENT)
    return pid, master


def until(is_true: Any, what: str) -> None:
    """Looks every few milliseconds, and gives up by a failure."""
    limit_s = time.monotonic() + PATIENCE_S
    while not is_true():
        assert time.monotonic() < limit_s, f"waited in vain for {what}"
        time.sleep(0.003)


def is_dead(pid: int) -> bool:
    """Also one that nobody has waited for yet (proc(5): state Z)."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return True
    return text.rpartition(")")[2].split()[0] in "ZX"


def reads_on(one: Instrument) -> bool:
    """What the instrument itself answers, on a connection of our own."""
    with socket.create_connection((one.host, one.port), PATIENCE_S) as link:
        link.sendall(f"{one.off_ask}\n".encode())
        reply = b""
        while not reply.endswith(b"\n"):
            piece = link.recv(100)
            assert piece
            reply += piece
    return reply.decode().strip().upper() not in one.off_words
