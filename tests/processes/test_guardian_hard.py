"""The guardian where more goes wrong than one thing, what it refuses, and how long it takes.

Times are compared with a floor measured in the same run, never with seconds of this machine.
"""

from __future__ import annotations

import json
import os
import random
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.safety.freeze import EXIT_ACTED, EXIT_NOT_CONFIRMED, EXIT_REFUSED, Frozen, began, to_text, write
from sequencer.safety.guardian import wait_for_end
from sequencer.safety.lifeline import NotArmed, guarded
from tests.processes.guarded import ENVIRONMENT, frozen_of, is_dead, reads_on, toy, until
from tests.processes.guardian_bench import GuardedBench, guarded_bench

pytestmark = pytest.mark.process

MOMENTS = 15
SLOWER_THAN_FLOOR = 3.0
SLOWER_THAN_BARE_PYTHON = 40.0
TOO_HEAVY = ("asyncio", "numpy", "pydantic", "pyvisa", "logging", "ssl", "drivers", "sequencer.plan", "sequencer.night")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedBench]:
    with guarded_bench("supply-a", tmp_path_factory.mktemp("bench") / "taken", single=True) as running:
        yield running


@pytest.fixture(scope="module")
def idler() -> Iterator[int]:
    """A process that does nothing, to be guarded: a guardian may kill whom it guards."""
    process = subprocess.Popen(["sleep", "600"])
    yield process.pid
    process.kill()
    process.wait()


@pytest.fixture
def frozen(bench: GuardedBench, idler: int, tmp_path: Path) -> Frozen:
    return replace(frozen_of(bench, tmp_path), pid=idler, pid_began=began(idler))


def of_role(frozen: Frozen, role: str, **changed: Any) -> Frozen:
    instruments = tuple(replace(one, **changed) if one.role == role else one for one in frozen.instruments)
    return replace(frozen, instruments=instruments)


# --- at random moments, and how fast ----------------------------------------------------------------


def times_to_off_ms(
    bench: GuardedBench, folder: Path, way: str, number: signal.Signals, wait_s: Iterator[float]
) -> list[float]:
    """From the signal until the supply took in that it shall be off."""
    found = []
    for moment in range(MOMENTS):
        inner = folder / f"{way} {number.name} {moment}"
        inner.mkdir()
        with toy(bench, inner, way) as one:
            time.sleep(next(wait_s))
            at_ns = one.harm(number)
            if way == "bare":
                until(lambda at_ns=at_ns: bench.taken(at_ns) != [], "a message")
                until(lambda guardian=one.guardian: is_dead(guardian), "the end of the few lines")
                off_ns = next(taken.at_ns for taken in bench.taken(at_ns) if taken.message == "OUTP OFF")
            else:
                off_ns = one.off_ns(at_ns)["supply"]
                assert one.record_ended()["confirmed"] is True, one.record
            assert not reads_on(one.frozen.instruments[1])
            found.append((off_ns - at_ns) / 1e6)
    return found


def test_off_at_fifteen_random_moments_of_a_kill_and_of_a_stop(
    bench: GuardedBench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each time off at the instrument. The floor: end of pipe, connection, one line written by bare Python."""
    chance = random.Random(20260302)
    moments = iter(lambda: chance.uniform(0.0, 0.25), None)
    kill = times_to_off_ms(bench, tmp_path, "beats", signal.SIGKILL, moments)
    floor = times_to_off_ms(bench, tmp_path, "bare", signal.SIGKILL, moments)
    stop = times_to_off_ms(bench, tmp_path, "beats", signal.SIGSTOP, moments)
    with capsys.disabled():
        for name, found in (("kill", kill), ("floor", floor), ("stop", stop)):
            print(f"\n  {name}: off after {statistics.median(found):.1f} ms, at worst {max(found):.1f} ms", end="")
        print()
    assert len(kill) == len(stop) == MOMENTS
    assert statistics.median(kill) <= SLOWER_THAN_FLOOR * statistics.median(floor)
    limit_ms = frozen_of(bench, tmp_path).silent_after_s * 1e3
    assert statistics.median(stop) <= limit_ms + SLOWER_THAN_FLOOR * (statistics.median(floor) + 0.1 * limit_ms)


# --- more than one thing goes wrong -----------------------------------------------------------------


def test_a_dead_instrument_does_not_delay_the_other(frozen: Frozen, tmp_path: Path) -> None:
    """Nobody listens where the generator was: the supply is off all the same, and the record says what is missing."""
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))  # bound and not listening: connections are refused
        gone = of_role(replace(frozen, give_up_after_s=1.5), "generator", port=unused.getsockname()[1])
        one = _acted(gone, tmp_path)
    assert one["confirmed"] is False
    assert one["what"].endswith("NOT CONFIRMED SAFE: generator")
    lines = [json.loads(line) for line in Path(frozen.record).read_text().splitlines()]
    told = [(line["who"], line["what"]) for line in lines]
    assert told.index(("supply", "reads back 0")) < told.index(("generator", "given up"))


def test_a_cut_off_that_does_not_answer_counts_no_more_once_the_rail_is_down(frozen: Frozen, tmp_path: Path) -> None:
    """Nobody feeds it, and nothing is behind it; what is not known of it stands in the record."""
    with socket.socket() as unused:
        unused.bind(("127.0.0.1", 0))  # bound and not listening: connections are refused
        relay = replace(frozen.instruments[0], role="cut_off", port=unused.getsockname()[1])
        dead = replace(frozen, give_up_after_s=1.0, instruments=(*frozen.instruments, relay))
        one = _acted(dead, tmp_path, EXIT_ACTED)
    assert one["confirmed"] is True
    assert '"cut_off", "what": "given up"' in Path(frozen.record).read_text()


def test_an_instrument_that_comes_back_is_switched_off(frozen: Frozen, tmp_path: Path) -> None:
    """Its port is closed at first; something that answers as it would listens there a second later."""
    listener = socket.create_server(("127.0.0.1", 0))
    port = listener.getsockname()[1]
    listener.close()
    back = of_role(frozen, "generator", port=port)
    with _guardian(back, tmp_path) as process:
        assert process.stdin is not None
        process.stdin.write(b"yours\n")
        process.stdin.close()
        time.sleep(1.0)
        taken: list[str] = []
        with socket.create_server(("127.0.0.1", port)) as listener:
            replies = {"OUTP1?": "0", "*IDN?": "HARBOUR INSTRUMENTS,FG-1,1,1.4"}
            threading.Thread(target=_answer, args=(listener, replies, taken), daemon=True).start()
            assert process.wait(30) == 10
    assert taken == ["OUTP1 OFF", "OUTP1?", "*IDN?"]


def test_another_instrument_at_the_address_is_no_confirmation(frozen: Frozen, tmp_path: Path) -> None:
    """It takes the lines, but it is not the one that was energised."""
    other = of_role(replace(frozen, give_up_after_s=0.5), "generator", identity_begins="SOMEBODY ELSE,")
    one = _acted(other, tmp_path)
    assert one["what"].endswith("NOT CONFIRMED SAFE: generator")


def test_a_supply_that_says_off_and_gives_volts_is_not_called_safe(frozen: Frozen, tmp_path: Path) -> None:
    """As with an output relay that sticks: the reply says off, the meter does not. So it is for one that says on."""
    welded = {"OUTP?": "0", "*IDN?": "BILGE & KEEL,PS-6080,2,3.2", "MEAS:ALL?": "+2.40000E+01,+0.00000E+00"}
    deaf = welded | {"OUTP?": "1"}
    for replies, missing in ((welded, "rail"), (deaf, "supply, rail")):
        with socket.create_server(("127.0.0.1", 0)) as listener:
            port = listener.getsockname()[1]
            rail = replace(frozen.rail, bleed_s=0.5)
            stuck = of_role(replace(frozen, rail=rail, give_up_after_s=0.5), "supply", port=port)
            answering = threading.Thread(target=_answer, args=(listener, replies, []), daemon=True)
            answering.start()
            one = _acted(stuck, tmp_path)
        assert one["what"].endswith(f"NOT CONFIRMED SAFE: {missing}")


# --- what it refuses --------------------------------------------------------------------------------


def test_what_cannot_be_guarded_is_refused_before_anything_is_energised(frozen: Frozen, tmp_path: Path) -> None:
    """Each with its words and exit code; the file of a process that has ended, or of an earlier one of its number."""
    ended = subprocess.Popen([sys.executable, "-P", "-c", "pass"])
    ended.wait()
    refused = {
        "no address": of_role(frozen, "supply", host="no such host"),
        "can't be guarded": replace(frozen, pid=ended.pid),
        "another one than was frozen": replace(frozen, pid_began=frozen.pid_began + 1),
        "record": replace(frozen, record=str(tmp_path / "absent" / "record.jsonl")),
    }
    for words, one in refused.items():
        path = tmp_path / "frozen.json"
        write(path, one)
        process = subprocess.run(_command(path), input=b"", capture_output=True, env=ENVIRONMENT, check=False)
        assert process.returncode == EXIT_REFUSED
        assert words in process.stdout.decode()
        assert process.stderr == b""


async def test_whoever_starts_it_hears_why_it_did_not_come_up(tmp_path: Path) -> None:
    """A file cut short."""
    path = tmp_path / "frozen.json"
    path.write_text("{")
    with pytest.raises(NotArmed, match=r"nothing was energised.*not JSON"):
        async with guarded(path):
            pytest.fail("it was armed with half a file")


async def test_a_guardian_that_does_not_read_is_noticed_and_never_waited_for(frozen: Frozen, tmp_path: Path) -> None:
    """Stopped: a pipe holds 64 KiB (pipe(7)), and then beats don't block."""
    path = tmp_path / "frozen.json"
    write(path, frozen)
    async with guarded(path) as lifeline:
        os.kill(lifeline.pid, signal.SIGSTOP)
        for _ in range(65536 // len("beat\n") + 1):
            lifeline.beat()
        assert lifeline.gone.is_set()
        await lifeline.goodbye()
    assert is_dead(lifeline.pid)
    lifeline.beat()  # nothing, where its descriptor may be another's by now
    assert _size(frozen.record) == 0


@pytest.mark.parametrize(
    ("sent", "end"),
    [
        ((b"beat\n", b"good", b"bye\n"), "goodbye"),
        ((b"beat\nbeat\ngoodbye\n",), "goodbye"),
        ((b"beat\n", b"yours\n"), "yours"),
        ((b"beat\n", b"goodby"), "pipe ended"),
        ((b"goodbye",), "pipe ended"),
        ((), "pipe ended"),
    ],
)
def test_only_a_whole_word_is_taken_for_one(sent: tuple[bytes, ...], end: str) -> None:
    """A process may die in the middle of a write."""
    inner, outer = os.pipe()
    for piece in sent:
        os.write(outer, piece)
    os.close(outer)
    assert wait_for_end(inner, 30.0, 30.0) == end
    os.close(inner)


def test_silence_counts_from_the_last_beat_and_from_the_beginning() -> None:
    """An open pipe on which nothing comes."""
    inner, outer = os.pipe()
    assert wait_for_end(inner, 0.01, 30.0) == "silent"
    os.write(outer, b"beat\n")
    assert wait_for_end(inner, 30.0, 0.01) == "silent"
    os.close(inner)
    os.close(outer)


# --- light, and soon there --------------------------------------------------------------------------


def test_it_loads_little_and_is_soon_armed(frozen: Frozen, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What the process itself lists as loaded (CPython's import log), its acting included; and its start beside that
    of an interpreter that does nothing, in the same run."""
    path = tmp_path / "frozen.json"
    write(path, frozen)
    log = ENVIRONMENT | {"PYTHONPROFILEIMPORTTIME": "1"}
    process = subprocess.run(_command(path), input=b"yours\n", capture_output=True, env=log, check=False)
    assert process.returncode == 10
    loaded = {line.rsplit("|", 1)[1].strip() for line in process.stderr.decode().splitlines() if "|" in line}
    assert {"socket", "sequencer.safety.guardian_acts"} <= loaded, "the log was not read"
    assert not {name for name in loaded for heavy in TOO_HEAVY if name == heavy or name.startswith(f"{heavy}.")}
    assert {name for name in loaded if name.startswith("sequencer")} <= {
        "sequencer",
        "sequencer.safety",
        "sequencer.safety.freeze",
        "sequencer.safety.guardian_acts",
    }
    bare_s, armed_s = [], []
    for _ in range(5):
        begun_s = time.perf_counter()
        subprocess.run([sys.executable, "-P", "-c", "pass"], env=ENVIRONMENT, check=True)
        bare_s.append(time.perf_counter() - begun_s)
        begun_s = time.perf_counter()
        with _guardian(frozen, tmp_path) as guardian:
            armed_s.append(time.perf_counter() - begun_s)
            guardian.communicate(b"goodbye\n", 30)
    bare, armed = statistics.median(bare_s), statistics.median(armed_s)
    with capsys.disabled():
        print(f"\n  armed after {armed * 1e3:.0f} ms, a bare interpreter takes {bare * 1e3:.0f} ms")
    assert armed <= SLOWER_THAN_BARE_PYTHON * bare


def _size(path: str) -> int:
    return os.path.getsize(path)


def _command(path: Path) -> list[str]:
    return [sys.executable, "-P", "-m", "sequencer.safety.guardian", str(path)]


@contextmanager
def _guardian(frozen: Frozen, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Armed inside the block, guarding a process that does nothing."""
    path = folder / "frozen.json"
    path.write_text(to_text(frozen))
    process = subprocess.Popen(_command(path), stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=ENVIRONMENT)
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"armed\n"
        yield process
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                pipe.close()


def _acted(frozen: Frozen, folder: Path, code: int = EXIT_NOT_CONFIRMED) -> dict[str, Any]:
    """The last line of the record of a guardian that was handed the bench."""
    with _guardian(frozen, folder) as process:
        assert process.stdin is not None
        process.stdin.write(b"yours\n")
        process.stdin.close()
        assert process.wait(30) == code
    found: dict[str, Any] = json.loads(Path(frozen.record).read_text().splitlines()[-1])
    return found


def _answer(listener: socket.socket, replies: dict[str, str], taken: list[str]) -> None:
    """As an instrument with one connection at a time, until the listener is closed."""
    while True:
        try:
            link, _ = listener.accept()
        except OSError:
            return
        with link, link.makefile("r") as lines:
            for line in lines:
                taken.append(line.strip())
                if taken[-1] in replies:
                    link.sendall(f"{replies[taken[-1]]}\n".encode())
