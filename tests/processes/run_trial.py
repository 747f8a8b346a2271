"""`nightramp run` against `nightramp simulate`, struck down at a random moment after it energised the bench."""

from __future__ import annotations

import fcntl
import json
import os
import resource
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.processes.simulated import LIMIT_S, UNPROVED, Said, Simulated, command, environment

PLAN = """
format = 1
name = "long"
rest = "quick"

[[stage]]
name = "powers"
measurement = "output_power"
loads = ["8R", "4R"]
drives = ["20 cycles", "8 cycles"]
"""
FIRST_S = 2.0  # a moment is drawn from as many seconds after the supply was switched on
OFF = {"supply": "OUTP OFF", "generator": "OUTP1 OFF"}


class Tail:
    """What the simulated instruments were told, read on as the log grows."""

    def __init__(self, log: Path) -> None:
        self._file = log.open()
        self._rest = ""
        self.said: list[Said] = []

    def close(self) -> None:
        self._file.close()

    def read(self) -> list[Said]:
        *lines, self._rest = (self._rest + self._file.read()).split("\n")
        for row in map(json.loads, filter(None, lines)):
            self.said.append(Said(row["t_ns"], row["instrument"], row["message"], row["reply"]))
        return self.said

    def first_ns(self, role: str, message: str, since_ns: int) -> int | None:
        found = (s.t_ns for s in self.read() if s.instrument == role and s.message == message and s.t_ns >= since_ns)
        return next(found, None)

    def await_ns(self, role: str, message: str, since_ns: int, alive: Callable[[], bool] = lambda: True) -> int:
        until_s = time.monotonic() + LIMIT_S
        while time.monotonic() < until_s and alive():
            if (found := self.first_ns(role, message, since_ns)) is not None:
                return found
            time.sleep(0.01)
        raise AssertionError(f"{role} was never told {message}")


@dataclass
class Struck:
    """at_ns: when; off_s: from then until generator and supply had been told off. code: of the process, None where it
    was left stopped. text: what it said."""

    at_ns: int
    off_s: dict[str, float]
    code: int
    text: str
    out: Path


@dataclass(frozen=True)
class How:
    """What is done to the process. program: instead of nightramp's own command. most_bytes: of a file, as if the disk
    were full then. terminal: it runs in one, whose end `act` is handed."""

    act: Callable[[subprocess.Popen[bytes], int], None]
    program: Path | None = None
    most_bytes: int | None = None
    terminal: bool = False


def strike(bench: Simulated, tail: Tail, folder: Path, how: How, moment: float) -> Struck:
    """moment: 0 to 1, of the seconds after the supply was switched on."""
    folder.mkdir(parents=True)
    (folder / "plan.toml").write_text(PLAN)
    begun_ns = time.monotonic_ns()
    words = ["run", str(folder / "plan.toml"), "--bench", str(bench.bench), "--unit", "ferry_pa_60"]
    words += ["--out", str(folder / "night"), "--armed-by", "the workshop", *UNPROVED]
    given = command(*words) if how.program is None else [sys.executable, "-P", str(how.program), *words]
    master, inner = os.openpty() if how.terminal else (-1, -1)
    with (folder / "said.txt").open("wb") as said:
        process = subprocess.Popen(
            given,
            stdin=inner if how.terminal else subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            env=environment(bench.log.parent),
            preexec_fn=(lambda: _prepared(how)) if how.terminal or how.most_bytes is not None else None,
        )
    if how.terminal:
        os.close(inner)
    try:
        tail.await_ns("supply", "OUTP ON", begun_ns, lambda: process.poll() is None)
        time.sleep(FIRST_S * moment)
        at_ns = time.monotonic_ns()
        how.act(process, master)
        off_s = {role: (tail.await_ns(role, line, at_ns) - at_ns) * 1e-9 for role, line in OFF.items()}
        code = process.wait(LIMIT_S)
    finally:
        process.kill()
        process.wait()
    return Struck(at_ns, off_s, code, (folder / "said.txt").read_text(errors="replace"), folder / "night")


def is_off(bench: Simulated) -> bool:
    """As the instruments themselves answer, in the end: rails bleed for a while."""
    with bench.talk("generator") as generator, bench.talk("supply") as supply:
        until_s = time.monotonic() + LIMIT_S
        while time.monotonic() < until_s:
            volts, amps = map(float, supply.ask("MEAS:ALL?").split(","))
            if abs(volts) < 2.0 and abs(amps) < 0.05:
                return supply.ask("OUTP?") == "0" and generator.ask("OUTP1?") == "0"
            time.sleep(0.05)
    return False


def guardian_ended(bench: Simulated, since_ns: int) -> dict[str, Any]:
    """The last word of a guardian that acted; its record lies beside the lock."""
    folder = bench.log.parent / "run" / "nightramp"
    until_s = time.monotonic() + LIMIT_S
    while time.monotonic() < until_s:
        for path in folder.glob("*.guardian.jsonl"):
            rows = [json.loads(line) for line in path.read_text().splitlines()]
            if rows and "confirmed" in rows[-1]:
                return dict(rows[-1])
        time.sleep(0.02)
    raise AssertionError("the guardian left no last word")


def _prepared(how: How) -> None:
    if how.most_bytes is not None:  # setrlimit(2): writing on fails with EFBIG, as a full disk does with ENOSPC
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (how.most_bytes, how.most_bytes))
    if how.terminal:
        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)


def moments(count: int, seed: int) -> Iterator[float]:
    """Spread over the whole span, each at random within its share."""
    import random

    draw = random.Random(seed)
    yield from ((n + draw.random()) / count for n in range(count))
