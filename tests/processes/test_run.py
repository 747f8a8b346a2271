"""`nightramp run` on simulated instruments in another process: armed by a word or a name, held by a lock, guarded."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.errors import EXIT_DONE, EXIT_REFUSED, EXIT_TRIPPED
from sequencer.plan.arming import WORD
from tests.processes.run_trial import Tail, is_off
from tests.processes.simulated import LIMIT_S, UNPROVED, Simulated, command, environment, simulated
from tests.processes.terminal import in_terminal

pytestmark = pytest.mark.process

QUICK = """
format = 1
name = "quick"
rest = "quick"

[[stage]]
name = "gains"
measurement = "gain"
loads = ["8R"]
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


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    with simulated(tmp_path_factory.mktemp("bench")) as one:
        yield one


@pytest.fixture
def tail(bench: Simulated) -> Iterator[Tail]:
    one = Tail(bench.log)
    yield one
    one.close()


def words(bench: Simulated, folder: Path, plan: str, *more: str) -> list[str]:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "plan.toml").write_text(plan)
    given = ["run", str(folder / "plan.toml"), "--bench", str(bench.bench), "--unit", "ferry_pa_60"]
    return [*given, "--out", str(folder / "night"), *UNPROVED, *more]


def begun(bench: Simulated, folder: Path, plan: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        command(*words(bench, folder, plan, "--armed-by", "the workshop")),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        env=environment(bench.log.parent),
    )


def ended(bench: Simulated, given: list[str]) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        command(*given),
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        env=environment(bench.log.parent),
    )


def test_armed_by_name_it_measures_and_is_said_goodbye_to(bench: Simulated, tmp_path: Path) -> None:
    """In real time on another process's instruments; the gains are those planted in the unit's truth, within 0.2 dB. A
    guardian that heard its goodbye leaves no record. Its links, written down meanwhile, lead the night through once
    more without any instrument."""
    record = f"{tmp_path}/recorded/"
    done = ended(bench, words(bench, tmp_path, QUICK, "--armed-by", "the workshop", "--record", record))
    assert done.returncode == EXIT_DONE, done.stdout + done.stderr
    assert "armed by the workshop" in done.stdout
    assert "trip test: limits lowered below the present reading trip" in done.stdout
    (run,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
    values = [value for point in run["points"] for value in point["values"] if value["name"] == "gain at 1 kHz"]
    assert {v["channel"]: v["value"] for v in values} == pytest.approx({"A": 26.13, "B": 25.94}, abs=0.2)
    assert (run["outcome"], run["begun"][:2]) == ("finished", "20")
    assert is_off(bench)
    assert not [p for p in (bench.log.parent / "run" / "nightramp").glob("*.guardian.jsonl") if p.read_text()]
    again = ended(bench, ["replay", record, "--out", str(tmp_path / "again")])
    assert again.returncode == EXIT_DONE, again.stdout + again.stderr
    (other,) = json.loads((tmp_path / "again" / "results.json").read_text())["runs"]
    assert other["points"] == run["points"]


def test_nobody_there_and_nobody_named(bench: Simulated, tail: Tail, tmp_path: Path) -> None:
    before = len(tail.read())
    done = ended(bench, words(bench, tmp_path, QUICK))
    assert done.returncode == EXIT_REFUSED
    assert "--armed-by" in done.stderr
    assert len(tail.read()) == before, "an instrument was spoken to"
    assert not (tmp_path / "night").exists()


@pytest.mark.parametrize(("typed", "code"), [("yes", EXIT_REFUSED), (WORD, EXIT_DONE)])
def test_the_word_at_a_terminal(bench: Simulated, tail: Tail, tmp_path: Path, typed: str, code: int) -> None:
    before, answered = len(tail.read()), []

    def seen(terminal: object) -> None:
        if not answered and "Type " in "".join(terminal.last):  # type: ignore[attr-defined]
            answered.append(True)
            terminal.type(f"{typed}\n".encode())  # type: ignore[attr-defined]

    given = words(bench, tmp_path, QUICK)
    terminal = in_terminal(*given, columns=100, seen=seen, **environment_of(bench))
    assert answered, terminal.last
    assert terminal.exit_code == code, terminal.last
    assert (len(tail.read()) == before) == (code == EXIT_REFUSED)


def environment_of(bench: Simulated) -> dict[str, str]:
    return {"XDG_RUNTIME_DIR": environment(bench.log.parent)["XDG_RUNTIME_DIR"]}


def test_a_guardian_that_is_gone_is_a_trip(bench: Simulated, tail: Tail, tmp_path: Path) -> None:
    since_ns = time.monotonic_ns()
    process = begun(bench, tmp_path, LONG)
    assert process.stdout is not None
    guardian = 0
    for line in process.stdout:
        if found := re.search(r"guardian armed, process (\d+)", line):
            guardian = int(found[1])
            break
    tail.await_ns("supply", "OUTP ON", since_ns, lambda: process.poll() is None)
    os.kill(guardian, signal.SIGKILL)
    said = process.communicate(timeout=LIMIT_S)[0]
    assert process.returncode == EXIT_TRIPPED, said
    (run,) = json.loads((tmp_path / "night" / "results.json").read_text())["runs"]
    (trip,) = run["trips"]
    assert (run["outcome"], trip["rule"], trip["confirmed_safe"]) == ("tripped", "guardian gone", True)
    assert is_off(bench)


def test_a_bench_that_is_held_and_what_the_guardian_left(bench: Simulated, tail: Tail, tmp_path: Path) -> None:
    """A second night is refused while the first one lives; after its death the next start tells what was done."""
    since_ns = time.monotonic_ns()
    first = begun(bench, tmp_path / "first", LONG)
    try:
        tail.await_ns("supply", "OUTP ON", since_ns, lambda: first.poll() is None)
        second = ended(bench, words(bench, tmp_path / "second", QUICK, "--armed-by", "somebody else"))
        assert second.returncode == EXIT_REFUSED
        assert "make-safe" in second.stderr
    finally:
        first.kill()
        first.communicate()
    tail.await_ns("supply", "OUTP OFF", time.monotonic_ns() - 10**9)
    assert is_off(bench)
    time.sleep(1.0)  # its guardian's last word
    third = ended(bench, words(bench, tmp_path / "third", QUICK, "--armed-by", "the workshop"))
    assert third.returncode == EXIT_DONE, third.stdout + third.stderr
    assert "the guardian acted since the last start" in third.stdout
    assert "switched off" in third.stdout


def test_off_this_machine_only_what_is_proved_first(bench: Simulated, tmp_path: Path) -> None:
    """192.0.2.0/24 is for documentation (RFC 5737): nobody is there, and nobody is asked."""
    far = tmp_path / "far.toml"
    far.write_text(re.sub(r"::127\.0\.0\.1::", "::192.0.2.1::", bench.bench.read_text()))
    given = words(bench, tmp_path, QUICK, "--armed-by", "the workshop")
    given[given.index("--bench") + 1] = str(far)
    done = ended(bench, given)
    assert done.returncode == EXIT_REFUSED
    assert "bench_check" in done.stderr
