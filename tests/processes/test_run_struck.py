"""A night in real time whose process dies, hangs, loses its disk or its terminal, or is told to stop twice: generator
and supply are told off on the wire every time, by whoever is left.

NIGHTRAMP_STRIKES says how many moments are drawn for each way (15; by hand 50).
"""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.errors import EXIT_FAULT, EXIT_STOPPED, EXIT_TRIPPED
from tests.processes.run_trial import How, Struck, Tail, guardian_ended, is_off, moments, strike
from tests.processes.simulated import Simulated, simulated

pytestmark = pytest.mark.process

COUNT = int(os.environ.get("NIGHTRAMP_STRIKES", "15"))
BLOCKED = Path(__file__).with_name("blocked_run.py")
SINGLE = 'single_connection = ["generator", "supply"]\n'


@pytest.fixture(scope="module", params=["many connections", "one connection"])
def bench(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Simulated]:
    folder = tmp_path_factory.mktemp("bench")
    with simulated(folder, SINGLE if request.param == "one connection" else "") as one:
        yield one


@pytest.fixture(scope="module")
def tail(bench: Simulated) -> Iterator[Tail]:
    one = Tail(bench.log)
    yield one
    one.close()


def killed(process: subprocess.Popen[bytes], terminal: int) -> None:
    process.kill()


def stopped(process: subprocess.Popen[bytes], terminal: int) -> None:
    """SIGSTOP can't be caught: a process that hangs. The guardian kills it before it opens a link."""
    process.send_signal(signal.SIGSTOP)


def told_twice(process: subprocess.Popen[bytes], terminal: int) -> None:
    process.terminate()
    time.sleep(0.1)
    process.terminate()


def closed(process: subprocess.Popen[bytes], terminal: int) -> None:
    os.close(terminal)


def nothing(process: subprocess.Popen[bytes], terminal: int) -> None:
    """It befalls itself."""


def struck(bench: Simulated, tail: Tail, folder: Path, how: How, seed: int) -> list[Struck]:
    """Half of the moments on either kind of bench."""
    found = []
    for number, moment in enumerate(moments((COUNT + 1) // 2, seed)):
        found.append(strike(bench, tail, folder / str(number), how, moment))
        assert is_off(bench), found[-1].text
        guardian_record_is_put_aside(bench, found[-1])
    return found


def guardian_record_is_put_aside(bench: Simulated, one: Struck) -> None:
    """The next night must not begin while a guardian is at work."""
    if one.code == -signal.SIGKILL:
        last = guardian_ended(bench, one.at_ns)
        assert last["confirmed"], last
        for path in (bench.log.parent / "run" / "nightramp").glob("*.guardian.jsonl"):
            path.unlink()


def told(name: str, found: list[Struck], capsys: pytest.CaptureFixture[str]) -> None:
    worst = [max(one.off_s.values()) for one in found]
    with capsys.disabled():
        print(f"\n{name}: both off after {statistics.median(worst):.3f} s (median), {max(worst):.3f} s (worst)")


def test_killed(bench: Simulated, tail: Tail, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(bench, tail, tmp_path, How(killed), 1)
    assert {one.code for one in found} == {-signal.SIGKILL}
    told("killed", found, capsys)


def test_stopped(bench: Simulated, tail: Tail, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(bench, tail, tmp_path, How(stopped), 2)
    assert {one.code for one in found} == {-signal.SIGKILL}
    told("hanging (0.5 s of silence are waited for)", found, capsys)


def test_a_blocked_loop(bench: Simulated, tail: Tail, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It blocks by itself at a shot; the moment does not matter."""
    found = struck(bench, tail, tmp_path, How(nothing, program=BLOCKED), 3)
    assert {one.code for one in found} == {-signal.SIGKILL}
    assert all("blocked" in one.text for one in found)


def test_told_to_stop_twice(bench: Simulated, tail: Tail, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(bench, tail, tmp_path, How(told_twice), 4)
    assert {one.code for one in found} == {EXIT_STOPPED}
    told("told twice", found, capsys)


def test_a_terminal_that_is_closed(
    bench: Simulated, tail: Tail, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = struck(bench, tail, tmp_path, How(closed, terminal=True), 5)
    assert {one.code for one in found} == {EXIT_STOPPED}
    told("terminal closed", found, capsys)


def test_a_full_disk(bench: Simulated, tail: Tail, tmp_path: Path) -> None:
    """Where nothing can be written any more the night ends, as an internal fault, and the bench is off."""
    found = [
        strike(bench, tail, tmp_path / str(number), How(nothing, most_bytes=kib * 1024), 0.0)
        for number, kib in enumerate(FULL_AT_KIB[: max(COUNT // 5, 1)])
    ]
    assert {one.code for one in found} <= {EXIT_FAULT, EXIT_TRIPPED}
    assert is_off(bench)


FULL_AT_KIB = (120, 160, 200)
