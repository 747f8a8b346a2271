"""`nightramp simulate` in a process of its own, and plain sockets to what it serves: no driver of ours between."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

SHIPPED = Path(__file__).resolve().parents[2] / "sequences" / "benches" / "workshop.toml"
CONTACTS = "(@201,202,203,101)"  # some of the bench's
LIMIT_S = 60.0
UNPROVED = ("--unproved-by", "the tests")  # a start on a bench that nobody has proved


def command(*words: str) -> list[str]:
    return [sys.executable, "-P", "-m", "sequencer", *words]


@dataclass
class Said:
    """One line of the log."""

    t_ns: int
    instrument: str
    message: str
    reply: str | None


class Talk:
    """One connection to one instrument."""

    def __init__(self, port: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port), LIMIT_S)
        self._file = self._socket.makefile("rb")

    def tell(self, *lines: str) -> None:
        self._socket.sendall("".join(f"{line}\n" for line in lines).encode())

    def ask(self, line: str, within_s: float = LIMIT_S) -> str:
        """Raises TimeoutError."""
        self._socket.settimeout(within_s)
        self.tell(line)
        return self._file.readline().decode().strip()

    def close(self) -> None:
        self._file.close()
        self._socket.close()


@dataclass
class Simulated:
    """A bench that listens. bench: the file that leads to it."""

    process: subprocess.Popen[str]
    bench: Path
    log: Path
    ports: dict[str, int]

    @contextmanager
    def talk(self, role: str) -> Iterator[Talk]:
        talk = Talk(self.ports[role])
        try:
            yield talk
        finally:
            talk.close()

    def said(self, role: str | None = None, since_ns: int = 0) -> list[Said]:
        rows: list[dict[str, Any]] = [json.loads(line) for line in self.log.read_text().splitlines()]
        found = [Said(row["t_ns"], row["instrument"], row["message"], row["reply"]) for row in rows]
        return [one for one in found if role in (None, one.instrument) and one.t_ns >= since_ns]

    def energise(self) -> int:
        """Contacts closed, 24 V on, generator output on. The instant after it, monotonic nanoseconds."""
        with self.talk("load_switch") as switch:
            switch.tell(f"ROUT:CLOS {CONTACTS}")
            assert switch.ask(f"ROUT:CLOS? {CONTACTS}") == "1,1,1,1"
        with self.talk("supply") as supply:
            supply.tell("CURR 10", "VOLT 24", "OUTP ON")
            assert supply.ask("OUTP?") == "1"
            assert self._volts(supply, lambda volts: volts > 20.0)
        with self.talk("generator") as generator:
            generator.tell("OUTP1 ON")
            assert generator.ask("OUTP1?") == "1"
        return time.monotonic_ns()

    def volts(self) -> float:
        with self.talk("supply") as supply:
            return float(supply.ask("MEAS:ALL?").split(",")[0])

    def _volts(self, supply: Talk, wanted: Any) -> bool:
        until_s = time.monotonic() + LIMIT_S
        while time.monotonic() < until_s:
            if wanted(float(supply.ask("MEAS:ALL?").split(",")[0])):
                return True
        return False

    def end(self, number: signal.Signals) -> int:
        self.process.send_signal(number)
        return self.process.wait(LIMIT_S)


def bench_file(folder: Path, shipped: Path = SHIPPED) -> Path:
    """The shipped bench, as if it stood elsewhere: 192.0.2.0/24 is for documentation (RFC 5737)."""
    path = folder / "bench.toml"
    path.write_text(shipped.read_text().replace("::127.0.0.1::", "::192.0.2.1::"))
    return path


def environment(folder: Path) -> dict[str, str]:
    """Locks of a test are found by that test alone."""
    run = folder / "run"
    run.mkdir(exist_ok=True)
    return os.environ | {"XDG_RUNTIME_DIR": str(run), "PYTHONUNBUFFERED": "1"}


@contextmanager
def simulated(
    folder: Path,
    faults: str = "",
    *more: str,
    shipped: Path = SHIPPED,
    unit: str | None = "ferry_pa_60",
    at: Path | None = None,
) -> Iterator[Simulated]:
    """Ended with the block. faults: text of a faults file. unit: None for empty bays. at: a bench file that is served
    where it says, instead of the shipped one anywhere."""
    ready, log, ports = folder / "ready.toml", folder / "log.jsonl", folder / "ports.json"
    (folder / "faults.toml").write_text(f"format = 1\n{faults}")
    files = ["--log", str(log), "--ports-file", str(ports), *(() if at else ("--bench-out", str(ready)))]
    words = ["--bench", str(at or bench_file(folder, shipped)), "--faults", str(folder / "faults.toml")]
    words += ["--unit", unit] if unit else []
    process = subprocess.Popen(
        command("simulate", *words, *files, *more),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(folder),
    )
    try:
        yield Simulated(process, at or ready, log, json.loads(_awaited(ports, process)))
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def _awaited(path: Path, process: subprocess.Popen[str]) -> str:
    until_s = time.monotonic() + LIMIT_S
    while time.monotonic() < until_s and process.poll() is None:
        if path.exists():
            return path.read_text()
        time.sleep(0.02)
    raise AssertionError(f"simulate did not come up: {process.communicate()[0] if process.poll() is not None else ''}")


def ended(bench: Simulated, *words: str, within_s: float = LIMIT_S) -> subprocess.CompletedProcess[str]:
    """The command run to its end, with nobody at a terminal."""
    return subprocess.run(
        command(*words),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=within_s,
        env=environment(bench.log.parent),
    )
