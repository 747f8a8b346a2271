"""`nightramp serve` on simulated instruments in another process: its queue, its lock, its end, its word to systemd.

What is checked: exit codes as README gives them, the ledger, the simulated instruments' own answers and log.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import EXIT_DONE, EXIT_REFUSED, EXIT_STOPPED
from tests.processes.run_trial import Tail, is_off
from tests.processes.simulated import LIMIT_S, UNPROVED, Simulated, command, ended, environment, simulated

pytestmark = pytest.mark.process

QUICK = """
format = 1
name = "quick"
rest = "quick"

[[stage]]
name = "gains"
measurement = "gain"
loads = ["8R"]
frequencies_hz = [1000.0]
"""
LONG = (
    QUICK
    + """
[[stage]]
name = "powers"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles"]
"""
)
ALLOWED_S = 8  # of systemd's watchdog, as we play it


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    with simulated(tmp_path_factory.mktemp("bench"), "", "--unit", "ferry_pa_60_aft") as one:
        yield one


@pytest.fixture
def tail(bench: Simulated) -> Iterator[Tail]:
    one = Tail(bench.log)
    yield one
    one.close()


@pytest.fixture
def ledger(bench: Simulated, tmp_path: Path) -> Path:
    (tmp_path / "quick.toml").write_text(QUICK)
    (tmp_path / "long.toml").write_text(LONG)
    return tmp_path / "nights"


def added(bench: Simulated, ledger: Path, plan: str, *more: str) -> None:
    words = ["queue", "--ledger", str(ledger), "add", str(ledger.parent / plan), "--bench", str(bench.bench), *more]
    done = ended(bench, *words)
    assert done.returncode == EXIT_DONE, done.stderr


def serving(bench: Simulated, ledger: Path, *more: str, **variables: str) -> subprocess.Popen[str]:
    words = [
        "serve",
        "--bench",
        str(bench.bench),
        "--ledger",
        str(ledger),
        "--armed-by",
        "the workshop",
        *UNPROVED,
        *more,
    ]
    return subprocess.Popen(
        command(*words),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent) | variables,
    )


def powered(tail: Tail, process: subprocess.Popen[str], since_ns: int) -> None:
    tail.await_ns("supply", "OUTP ON", since_ns, lambda: process.poll() is None)


def status(bench: Simulated, *words: str) -> dict[str, Any]:
    done = ended(bench, "status", "--json", *words)
    assert done.returncode == EXIT_DONE, done.stderr
    return dict(json.loads(done.stdout))


def now(ledger: Path) -> tuple[Any, ...]:
    """What the daemon's own file says: at what, which unit, which point of how many."""
    found = json.loads((ledger / "now.json").read_text())
    return found["doing"], found["unit"], found["number"], found["of"]


def until(what: Callable[[], bool]) -> bool:
    until_s = time.monotonic() + LIMIT_S
    while time.monotonic() < until_s:
        if what():
            return True
        time.sleep(0.02)
    return False


def test_two_entries_the_second_added_meanwhile_and_nobody_beside(bench: Simulated, tail: Tail, ledger: Path) -> None:
    """--once ends when the queue is empty: both units are measured, into one ledger, with pages of both. Meanwhile a
    second daemon is refused in words, whatever its ledger, and `status` tells what is under way."""
    added(bench, ledger, "quick.toml", "--unit", "ferry_pa_60", "--label", "as received")
    since_ns = time.monotonic_ns()
    process = serving(bench, ledger, "--once", "--record", str(ledger.parent / "links"))
    try:
        powered(tail, process, since_ns)
        assert until(lambda: now(ledger) == ("measuring", "MV-0117", 1, 1)), now(ledger)
        added(bench, ledger, "quick.toml", "--unit", "ferry_pa_60_aft@2")
        second = ended(
            bench,
            "serve",
            "--bench",
            str(bench.bench),
            "--ledger",
            str(ledger.parent / "other"),
            "--armed-by",
            "us",
            *UNPROVED,
            "--once",
        )
        assert second.returncode == EXIT_REFUSED
        assert re.search(rf"held.*process {process.pid}", second.stderr)
        told = status(bench, "--bench", str(bench.bench))
        said, _ = process.communicate(timeout=LIMIT_S)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == EXIT_DONE, said
    assert told["holder"]["pid"] == told["daemon"]["pid"] == process.pid
    assert told["daemon"]["lives"]
    assert sum(told["queue"].values()) == 2
    runs = json.loads((ledger / "results.json").read_text())["runs"]
    assert [(run["unit"]["serial"], run["bay"], run["outcome"]) for run in runs] == [
        ("MV-0117", "1", "finished"),
        ("MV-0122", "2", "finished"),
    ]
    assert runs[0]["label"] == "as received"
    assert len(list((ledger / "sheets").glob("*.html"))) == 2
    assert (ledger / "batch.html").exists()
    recorded = sorted((ledger.parent / "links").iterdir())
    assert [one.name for one in recorded] == sorted(f"{run['id']}.txt" for run in runs)
    for one in recorded:  # each a night of its own, though one ledger keeps both
        again = ended(bench, "replay", str(one), "--out", str(ledger.parent / one.stem))
        assert again.returncode == EXIT_DONE, again.stdout + again.stderr
    after = status(bench, "--ledger", str(ledger))
    assert (after["held"], after["queue"]["done"], after["daemon"]["lives"]) == (False, 2, False)
    assert is_off(bench)


def test_a_stop_makes_safe_and_the_manager_is_told(bench: Simulated, tail: Tail, ledger: Path, tmp_path: Path) -> None:
    """sd_notify(3): READY=1 before anything is powered, WATCHDOG=1 again and again, STOPPING=1 last. SIGTERM: the
    night ends as `run` does, its entry is held, the other one waits."""
    added(bench, ledger, "long.toml", "--unit", "ferry_pa_60", "--unit", "ferry_pa_60_aft")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(LIMIT_S)
        since_ns = time.monotonic_ns()
        process = serving(
            bench, ledger, NOTIFY_SOCKET=str(tmp_path / "notify"), WATCHDOG_USEC=str(ALLOWED_S * 1_000_000)
        )
        try:
            assert manager.recv(4096) == b"READY=1"
            assert tail.first_ns("supply", "OUTP ON", since_ns) is None
            powered(tail, process, since_ns)
            words: list[bytes] = []
            while words.count(b"WATCHDOG=1") < 2:
                words.append(manager.recv(4096))
            process.send_signal(signal.SIGTERM)
            said, _ = process.communicate(timeout=LIMIT_S)
        finally:
            process.kill()
            process.wait()
        manager.setblocking(False)
        while words[-1] != b"STOPPING=1":
            words.append(manager.recv(4096))
    assert process.returncode == EXIT_STOPPED, said
    assert "made safe, confirmed" in said
    assert any(word.startswith(b"STATUS=entry 1: unit MV-0117") for word in words)
    (run,) = json.loads((ledger / "results.json").read_text())["runs"]
    assert run["outcome"] == "stopped"
    listed = json.loads(ended(bench, "queue", "--ledger", str(ledger), "list", "--json").stdout)["entries"]
    assert [one["state"] for one in listed] == ["held", "waiting"]
    assert listed[0]["why"] == "stopped by a person during it"
    assert is_off(bench)


def test_after_its_death_its_run_goes_on_when_a_person_starts_it_again(
    bench: Simulated, tail: Tail, ledger: Path
) -> None:
    """Killed while it measures: the guardian switches off. `status` says so, and nothing comes on by itself; the next
    start tells what the guardian did, makes the bench safe, and goes on with the run: every point once."""
    added(bench, ledger, "long.toml", "--unit", "ferry_pa_60")
    since_ns = time.monotonic_ns()
    process = serving(bench, ledger)
    try:
        powered(tail, process, since_ns)
    finally:
        os.kill(process.pid, signal.SIGKILL)
        process.communicate()
    killed_ns = time.monotonic_ns()
    tail.await_ns("supply", "OUTP OFF", killed_ns - 10**9)
    assert is_off(bench)
    told = ended(bench, "status", "--ledger", str(ledger)).stdout
    assert f"the last daemon (process {process.pid}) died" in told
    assert "1 taken" in told
    records = bench.log.parent / "run" / "nightramp"
    assert until(lambda: any('"confirmed"' in one.read_text() for one in records.glob("*.guardian.jsonl")))
    assert tail.first_ns("supply", "OUTP ON", killed_ns) is None
    again_ns = time.monotonic_ns()
    again = ended(
        bench,
        "serve",
        "--bench",
        str(bench.bench),
        "--ledger",
        str(ledger),
        "--armed-by",
        "the workshop",
        *UNPROVED,
        "--once",
    )
    assert again.returncode == EXIT_DONE, again.stdout + again.stderr
    assert "the guardian acted since the last start" in again.stdout
    assert "the last daemon died during it; its run goes on" in again.stdout
    off_ns, on_ns = (tail.first_ns("supply", word, again_ns) for word in ("OUTP OFF", "OUTP ON"))
    assert off_ns is not None
    assert on_ns is not None
    assert off_ns < on_ns
    assert status(bench, "--ledger", str(ledger))["queue"]["done"] == 1
    (run,) = json.loads((ledger / "results.json").read_text())["runs"]
    assert [point["measurement"] for point in run["points"]] == ["gain", "output_power"]
    assert len(run["resumed"]) == 1
    assert run["outcome"] == "finished"
