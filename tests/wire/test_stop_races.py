"""A person's stop in the very moment in which something else ends the point, and a disk that refuses then: neither the
stop is lost nor the trip.
By the simulators' own log and world; what a stop means is README's word, no other source.
"""

from __future__ import annotations

import errno
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import EXIT_FAULT, EXIT_STOPPED, EXIT_TRIPPED
from sequencer.ledger.store import Ledger
from sequencer.night import keeping
from tests.wire.safety_nights import FIRST, SECOND, Case, Mishap, night
from tests.wire.test_safety_wire import BURSTS, HOT_C, LIMITS, ctrl_c, serial

# Messages "OUTP OFF" to the supply: the first as it is prepared, the second as the watch has found the heat sink too
# hot, the third as the unit that tripped is made safe.
WATCH, MADE_SAFE = 2, 3
OWN = {FIRST: {LIMITS: f"stop_c = {HOT_C - 0.001:.3f}\ntrip_c = {HOT_C}"}}
SHORT = """
format = 1
name = "short"
rest = "quick"
[[stage]]
name = "offset"
measurement = "output_offset"
"""


@pytest.mark.parametrize("number", [WATCH, MADE_SAFE], ids=["the watch switches off", "it is made safe"])
def test_a_stop_while_a_trip_switches_off_ends_the_night_and_the_trip_is_kept(number: int, tmp_path: Path) -> None:
    case = Case(own=OWN, mishaps=(Mishap("supply", "OUTP OFF", number, ctrl_c),))
    found = night(tmp_path, BURSTS.replace("AFTER", "next unit"), case)
    assert found.done.exit_code == EXIT_STOPPED, found.done.text
    (run,) = found.runs  # the second unit is not begun
    (trip,) = run["trips"]
    assert (run["unit"]["serial"], run["outcome"], trip["rule"]) == (serial(FIRST), "tripped", "heat sink")
    assert trip["confirmed_safe"]
    assert trip["cause"] == "unit"
    (struck_ns,) = found.struck_ns
    assert not found.told_ns("supply", "OUTP ON", struck_ns)
    assert found.is_off
    assert not found.contacts


def test_a_stop_while_a_unit_is_switched_on_takes_its_remote_line_first(tmp_path: Path) -> None:
    """Normal order: the remote line before the supply, also where the stop comes as its contact 205 (the bench's file)
    is closing."""
    case = Case(mishaps=(Mishap("load_switch", "ROUT:CLOS (@205)", 1, ctrl_c),))
    found = night(tmp_path, BURSTS.replace("AFTER", "next unit"), case, (FIRST,))
    assert found.done.exit_code == EXIT_STOPPED, found.done.text
    (struck_ns,) = found.struck_ns
    remote = found.told_ns("load_switch", "ROUT:OPEN (@205)", struck_ns)
    assert remote
    assert remote[0] < found.told_ns("supply", "OUTP OFF", struck_ns)[0]
    assert found.is_off
    assert not found.contacts


@pytest.mark.parametrize("act", ["begin_run", "keep_point", "end_run"])
def test_a_stop_while_the_disk_writes_leaves_the_book_in_order(
    act: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was begun to be kept is kept, once: each run that has begun has an end, and the exit says "stopped"."""
    honest, struck = getattr(Ledger, act), list[str]()

    def slow(self: Ledger, *words: Any) -> Any:
        if not struck:
            struck.append(act)
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(0.3)  # the disk: real time, which the simulated one waits for
        return honest(self, *words)

    monkeypatch.setattr(Ledger, act, slow)
    found = night(tmp_path, SHORT, Case(), (FIRST, SECOND))
    assert found.done.exit_code == EXIT_STOPPED, found.done.text
    assert struck == [act]
    (run,) = found.runs
    assert run["ended"]
    assert run["outcome"] == ("finished" if act == "end_run" else "stopped")
    assert len(run["points"]) == (0 if act == "begin_run" else 1)
    assert found.is_off


def test_a_trip_whose_trace_finds_no_room_is_told_all_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    honest = keeping.write_trace

    def full(path: Path, *words: Any) -> None:
        if "trip-" in path.name:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        honest(path, *words)

    monkeypatch.setattr(keeping, "write_trace", full)
    found = night(tmp_path, BURSTS.replace("AFTER", "stop"), Case(own=OWN), (FIRST,))
    assert found.done.exit_code == EXIT_TRIPPED, found.done.text
    ((trip,),) = (run["trips"] for run in found.runs)
    assert (trip["rule"], trip["trace"]) == ("heat sink", None)


def test_whatever_the_book_says_at_the_end_the_bench_is_safe_and_it_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(self: Ledger, *words: Any) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(Ledger, "end_run", broken)
    found = night(tmp_path, SHORT, Case(), (FIRST,))
    assert found.done.exit_code == EXIT_FAULT
    assert "made safe, confirmed" in found.done.text
    assert "Input/output error" in found.done.text
    assert found.is_off
