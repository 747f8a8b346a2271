"""A night in real time whose process dies, hangs, loses its disk or its terminal, or is told to stop twice: generator
and supply are told off on the wire every time, by whoever is left.

NIGHTRAMP_STRIKES says how many moments are drawn for each way (4, each being a night in real time; by hand 50). Several
benches stand side by side; the seconds that are printed are then those of a busy machine, and none is asserted here.
"""

from __future__ import annotations

import os
import signal
import statistics
import subprocess
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pytest

from sequencer.errors import EXIT_FAULT, EXIT_STOPPED, EXIT_TRIPPED
from tests.processes.run_trial import How, Struck, Tail, guardian_ended, is_off, moments, strike
from tests.processes.simulated import Simulated, simulated

pytestmark = pytest.mark.process

COUNT = int(os.environ.get("NIGHTRAMP_STRIKES", "4"))
BLOCKED = Path(__file__).with_name("blocked_run.py")
AT_ONCE = min(4, max(2, os.cpu_count() or 2))
SINGLE = 'single_connection = ["generator", "supply"]\n'


@dataclass(frozen=True)
class Place:
    """A bench, and what is read of its log."""

    bench: Simulated
    tail: Tail


@pytest.fixture(scope="module", params=["many connections", "one connection"])
def places(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[Place]]:
    """Each with ports, locks and folders of its own."""
    faults = SINGLE if request.param == "one connection" else ""
    with ExitStack() as stack:
        found = []
        for _ in range(AT_ONCE):
            bench = stack.enter_context(simulated(tmp_path_factory.mktemp("bench"), faults))
            tail = Tail(bench.log)
            stack.callback(tail.close)
            found.append(Place(bench, tail))
        yield found


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


def struck(places: list[Place], folder: Path, how: How, seed: int) -> list[Struck]:
    """Half of the moments on either kind of bench, dealt out to those that stand side by side."""
    drawn = list(enumerate(moments((COUNT + 1) // 2, seed)))
    if how.terminal:  # made ready between fork and exec, which is for one thread alone
        places = places[:1]

    def own(number: int) -> list[Struck]:
        place = places[number]
        return [struck_once(place, folder / str(n), how, moment) for n, moment in drawn[number :: len(places)]]

    with ThreadPoolExecutor(len(places)) as pool:
        return [one for found in pool.map(own, range(len(places))) for one in found]


def struck_once(place: Place, folder: Path, how: How, moment: float) -> Struck:
    one = strike(place.bench, place.tail, folder, how, moment)
    assert is_off(place.bench), one.text
    guardian_record_is_put_aside(place.bench, one)
    return one


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


def test_killed(places: list[Place], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(places, tmp_path, How(killed), 1)
    assert {one.code for one in found} == {-signal.SIGKILL}
    told("killed", found, capsys)


def test_stopped(places: list[Place], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(places, tmp_path, How(stopped), 2)
    assert {one.code for one in found} == {-signal.SIGKILL}
    told("hanging (0.5 s of silence are waited for)", found, capsys)


def test_a_blocked_loop(places: list[Place], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It blocks by itself at a shot; the moment does not matter."""
    found = struck(places, tmp_path, How(nothing, program=BLOCKED), 3)
    assert {one.code for one in found} == {-signal.SIGKILL}
    assert all("blocked" in one.text for one in found)


def test_told_to_stop_twice(places: list[Place], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(places, tmp_path, How(told_twice), 4)
    assert {one.code for one in found} == {EXIT_STOPPED}
    told("told twice", found, capsys)


def test_a_terminal_that_is_closed(places: list[Place], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = struck(places, tmp_path, How(closed, terminal=True), 5)
    assert {one.code for one in found} == {EXIT_STOPPED}
    told("terminal closed", found, capsys)


def test_a_full_disk(places: list[Place], tmp_path: Path) -> None:
    """Where nothing can be written any more the night ends, as an internal fault, and the bench is off."""
    bench, tail = places[0].bench, places[0].tail
    found = [
        strike(bench, tail, tmp_path / str(number), How(nothing, most_bytes=kib * 1024), 0.0)
        for number, kib in enumerate(FULL_AT_KIB[: max(COUNT // 5, 1)])
    ]
    assert {one.code for one in found} <= {EXIT_FAULT, EXIT_TRIPPED}
    assert is_off(bench)


FULL_AT_KIB = (120, 160, 200)
