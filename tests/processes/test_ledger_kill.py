"""The ledger under real kills and a real lack of room.

The truth is the writer's own log: it writes a point's number to a pipe only after the ledger's call returned. A
pipe's content survives the death of its writer (POSIX), so what was read there was acknowledged.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.errors import InputRefused
from sequencer.ledger.store import Ledger
from tests.sequencer.ledger_rows import head

pytestmark = pytest.mark.process
ROOT = Path(__file__).resolve().parents[2]
KILLS = 15

WRITER = """
import sys
from itertools import count
from pathlib import Path
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger

path, kill = Path(sys.argv[1]), int(sys.argv[2])
row = {"measurement": "output_power", "outcome": "not_measured", "reason": "x" * 3000}
with Ledger(path) as ledger:
    for number in count():
        name = f"k{kill:02}-{number:06}"
        ledger.keep_point("r01", row | {"id": name}, [Message("t/point", {"point": name})])
        sys.stdout.write(name + "\\n")
        sys.stdout.flush()
"""

FILLER = """
import resource, signal, sys
from pathlib import Path
from sequencer.ledger.faults import LedgerFault
from sequencer.ledger.rows import Message
from sequencer.ledger.store import Ledger

signal.signal(signal.SIGXFSZ, signal.SIG_IGN)  # writes beyond the limit fail instead of killing
row = {"measurement": "output_power", "outcome": "not_measured", "reason": "x" * 3000}
ledger = Ledger(Path(sys.argv[1]))
resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
try:
    for number in range(1000):
        name = f"p{number:04}"
        ledger.keep_point("r01", row | {"id": name}, [Message("t/point", {"point": name})])
        print(name, flush=True)
except LedgerFault as fault:
    print(type(fault).__name__, fault, file=sys.stderr)
    sys.exit(5)
"""


def started(program: str, *arguments: str) -> subprocess.Popen[bytes]:
    """Its pipes unbuffered: a buffer of ours would hide lines from `communicate`."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-P", "-c", program, *arguments],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        bufsize=0,
    )


def kept_points(ledger: Ledger) -> list[str]:
    return [point["id"] for point in ledger.results()["runs"][0]["points"]]


def told_points(ledger: Ledger) -> Iterator[str]:
    for message in ledger.outbox():
        yield json.loads(message.payload)["point"]


def test_fifteen_kills_lose_nothing_acknowledged_and_part_no_pair(tmp_path: Path) -> None:
    """Every acknowledged point is there, each with its one message; no message alone, no number missing."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.begin_run(head())
    chance = random.Random(20260301)
    acknowledged: list[str] = []
    for kill in range(KILLS):
        writer = started(WRITER, str(path), str(kill))
        assert writer.stdout is not None
        first = writer.stdout.readline().decode().strip()
        assert first, writer.stderr.read().decode() if writer.stderr else ""
        time.sleep(chance.uniform(0.0, 0.04))
        writer.send_signal(signal.SIGKILL)
        rest, _ = writer.communicate(timeout=30)
        assert writer.returncode == -signal.SIGKILL
        acknowledged += [first, *rest.decode().split("\n")[:-1]]
        with Ledger(path) as ledger:
            assert ledger.integrity() == []
            kept = kept_points(ledger)
            assert list(told_points(ledger)) == kept
            assert [message.seq for message in ledger.outbox()] == list(range(1, len(kept) + 1))
        assert set(acknowledged) <= set(kept)
        # At most the one point that was under way may be there without its acknowledgement.
        assert len(kept) - len(acknowledged) <= kill + 1
    assert len(acknowledged) > 2 * KILLS, "the writer was killed before it worked: nothing was proved"
    print(f"{KILLS} kills, {len(acknowledged)} points acknowledged, {len(kept)} kept")


def test_a_killed_writers_lock_is_gone_and_a_living_ones_is_not(tmp_path: Path) -> None:
    """Two processes: the second is refused in words while the first lives."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.begin_run(head())
    writer = started(WRITER, str(path), "0")
    assert writer.stdout is not None
    assert writer.stdout.readline()
    with pytest.raises(InputRefused, match="another nightramp is writing it"):
        Ledger(path)
    with Ledger(path, read_only=True) as reader:
        assert kept_points(reader)
    assert writer.poll() is None
    writer.kill()
    writer.communicate(timeout=30)
    with Ledger(path) as ledger:
        assert kept_points(ledger)


def test_a_disk_that_takes_no_more_is_named_and_what_was_kept_stands(tmp_path: Path) -> None:
    """setrlimit(2): a write beyond RLIMIT_FSIZE fails with EFBIG; SQLite says I/O error or disk full."""
    path = tmp_path / "ledger.sqlite"
    with Ledger(path) as ledger:
        ledger.begin_run(head())
    filler = started(FILLER, str(path))
    out, err = (said.decode() for said in filler.communicate(timeout=60))
    acknowledged = out.split()
    assert filler.returncode == 5, err
    assert err.startswith(("LedgerFull", "LedgerUnwritable")), err
    assert "ledger.sqlite" in err
    assert len(acknowledged) > 5
    with Ledger(path) as ledger:
        assert ledger.integrity() == []
        assert kept_points(ledger) == acknowledged == list(told_points(ledger))
