"""The guardian on the real clock: real processes, real sockets, simulated instruments in a process of their own.

The truth is the simulators' own log of what they took in, and what they answer afterwards to a connection of the
test's. Kill, stop and end of a terminal: signal(7), credentials(7) and pipe(7).
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.processes.guarded import Toy, is_dead, reads_on, toy, until
from tests.processes.guardian_bench import GuardedBench, guarded_bench

pytestmark = pytest.mark.process

BENCHES = [("supply-a", False), ("supply-b", True)]
UNASKED = (signal.SIGTERM, signal.SIGTERM, signal.SIGINT, signal.SIGHUP, signal.SIGQUIT, signal.SIGTSTP)


@pytest.fixture(scope="module", params=BENCHES, ids=["many connections", "one connection"])
def bench(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedBench]:
    supply, single = request.param
    with guarded_bench(supply, tmp_path_factory.mktemp("bench") / "taken", single=single) as running:
        yield running


def assert_is_off(one: Toy, since_ns: int) -> None:
    """Both told, nothing told on again, both answer that they are off; and the guardian says so."""
    one.off_ns(since_ns)
    last = one.record_ended()
    assert last["confirmed"] is True, one.record
    assert last["run"] == "r1"
    assert not [taken for taken in one.bench.taken(since_ns) if taken.message.endswith(" ON")]
    assert not any(reads_on(each) for each in one.frozen.instruments)
    until(lambda: is_dead(one.guardian), "the guardian's end")


def test_a_kill(bench: GuardedBench, tmp_path: Path) -> None:
    """SIGKILL: no handler runs."""
    with toy(bench, tmp_path, "beats") as one:
        at_ns = one.harm(signal.SIGKILL)
        assert_is_off(one, at_ns)
        assert "ended without a goodbye" in one.record[-1]["what"]


def test_a_stop(bench: GuardedBench, tmp_path: Path) -> None:
    """SIGSTOP: the pipe and the links stay open. It is killed, and before anything is told to an instrument."""
    with toy(bench, tmp_path, "beats") as one:
        at_ns = one.harm(signal.SIGSTOP)
        assert_is_off(one, at_ns)
        assert one.ended() == -signal.SIGKILL
        assert "killed" in one.record[0]["what"], "an instrument was told before the process was killed"


def test_a_loop_that_is_blocked(bench: GuardedBench, tmp_path: Path) -> None:
    """Busy for ever in one callback: the process runs, and nothing in it is served."""
    with toy(bench, tmp_path, "blocks") as one:
        at_ns = time.monotonic_ns()
        assert_is_off(one, at_ns)
        assert one.ended() == -signal.SIGKILL


def test_one_that_never_begins_to_beat(bench: GuardedBench, tmp_path: Path) -> None:
    """Against the rule it has energised without a beat, and hangs."""
    with toy(bench, tmp_path, "never beats", begin_within_s=1.0) as one:
        at_ns = time.monotonic_ns()
        assert_is_off(one, at_ns)
        assert one.ended() == -signal.SIGKILL


def test_a_terminal_that_is_closed(bench: GuardedBench, tmp_path: Path) -> None:
    """Its session gets SIGHUP; the guardian is in another one."""
    with toy(bench, tmp_path, "beats", terminal=True) as one:
        at_ns = time.monotonic_ns()
        os.close(one.output)
        assert_is_off(one, at_ns)
        assert one.ended() == -signal.SIGHUP


def test_a_pipe_that_ends_while_the_process_lives_on(bench: GuardedBench, tmp_path: Path) -> None:
    """It holds the links; where they are the only ones it is killed, else it is left alive."""
    with toy(bench, tmp_path, "lingers") as one:
        at_ns = time.monotonic_ns()
        assert_is_off(one, at_ns)
        assert is_dead(one.pid) is bench.single


def test_an_end_by_an_error(bench: GuardedBench, tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    """The loop is closed and the interpreter ends in order; the guardian outlives both."""
    with toy(bench, tmp_path, "raises") as one:
        at_ns = time.monotonic_ns()
        assert one.ended() in (1, -signal.SIGKILL)  # the latter where it still held an only link
        assert_is_off(one, at_ns)
    assert "ResourceWarning" not in capfd.readouterr().err


def test_nothing_but_the_lifeline_ends_it(bench: GuardedBench, tmp_path: Path) -> None:
    """Signals that would end another process; three limits long nothing is told to the instruments."""
    with toy(bench, tmp_path, "beats") as one:
        at_ns = time.monotonic_ns()
        for number in UNASKED:
            os.kill(one.guardian, number)
        time.sleep(3 * one.frozen.silent_after_s)
        assert not is_dead(one.guardian)
        assert bench.taken(at_ns) == []
        at_ns = one.harm(signal.SIGKILL)
        assert_is_off(one, at_ns)


def test_a_goodbye(bench: GuardedBench, tmp_path: Path) -> None:
    """The toy switches off by itself; the guardian tells nothing and leaves no record."""
    with toy(bench, tmp_path, "says goodbye") as one:
        at_ns = time.monotonic_ns()
        assert one.ended() == 0
        until(lambda: is_dead(one.guardian), "the guardian's end")
        asked = [line for each in one.frozen.instruments for line in (*each.off, each.off_ask)]
        assert sorted(taken.message for taken in bench.taken(at_ns)) == sorted(asked)
        assert one.record == []


def test_a_bench_that_is_handed_over(bench: GuardedBench, tmp_path: Path) -> None:
    """One that could not confirm the bench safe lives on to say so, and hears what became of it."""
    with toy(bench, tmp_path, "hands over") as one:
        at_ns = time.monotonic_ns()
        assert one.said() == "confirmed"
        assert one.ended() == 0
        assert_is_off(one, at_ns)


def test_its_own_death_is_noticed(bench: GuardedBench, tmp_path: Path) -> None:
    """A dead guardian guards nothing: whoever is guarded must hear of it."""
    with toy(bench, tmp_path, "waits to see it gone") as one:
        os.kill(one.guardian, signal.SIGKILL)
        assert one.said() == "gone"
        assert one.ended() == 0
