"""The writer of recordings: off the loop, whole at its end, and never a reason for a night to fail."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from drivers import recorder as module
from drivers.recorder import Recorder
from drivers.tape import CAME, SENT, entries


def read(path: Path) -> list[tuple[int, str, str, bytes]]:
    return [(e.t_ns, e.who, e.sign, e.data) for e in entries(path.read_text().splitlines(keepends=True))]


def test_all_that_was_heard_stands_there_in_order(tmp_path: Path) -> None:
    """From another thread than the one that writes; pieces joined, a password left out."""
    threads = threading.active_count()
    with Recorder(tmp_path / "r.txt", "night {}") as kept:
        for n in range(2000):
            kept.hear(n, "supply", SENT, b"VOLT %d\n" % n)
        kept.hear(3000, "digitiser", CAME, (b"#15", b"ab", b"cde", b"\n"))
        kept.hear(3001, "supply", SENT, b"SYST:PASS:CEN 4711\n")
    assert kept.problem == ""
    assert threading.active_count() == threads
    first, *talk, block, secret = read(tmp_path / "r.txt")
    assert first == (0, "-", "=", b"night {}")
    assert talk == [(n, "supply", ">", b"VOLT %d\n" % n) for n in range(2000)]
    assert block == (3000, "digitiser", "<", b"#15abcde\n")
    assert secret[3] == b"SYST:PASS:CEN ***\n"


def test_a_full_disk_ends_the_recording_and_nothing_else(monkeypatch: pytest.MonkeyPatch) -> None:
    """/dev/full answers each write with ENOSPC (full(4))."""
    monkeypatch.setattr(module, "LEFT_FREE_BYTES", 0)
    with Recorder(Path("/dev/full"), "night {}") as kept:
        for n in range(20_000):
            kept.hear(n, "supply", SENT, b"VOLT 13.8\n")
    assert "no space left" in kept.problem


def test_the_room_that_a_night_needs_is_left_to_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A ledger ends its night where the disk is full: the recording must stop long before."""
    monkeypatch.setattr(module, "LEFT_FREE_BYTES", 10**18)
    with Recorder(tmp_path / "r.txt", "night {}") as kept:
        kept.hear(2 * 10**9, "supply", SENT, b"VOLT 13.8\n")
    assert "are free on its disk" in kept.problem
    assert (tmp_path / "r.txt").stat().st_size < 100


def test_a_disk_that_is_too_slow_ends_it_before_memory_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MOST_WAITING_BYTES", 10_000)
    monkeypatch.setattr(module, "WRITTEN_EVERY_S", 60.0)
    with Recorder(tmp_path / "r.txt", "night {}") as kept:
        for n in range(2000):
            kept.hear(n * 10**9, "supply", SENT, b"VOLT 13.8\n")
    assert "too slow" in kept.problem
    assert 500 < len(read(tmp_path / "r.txt")) < 1100  # what had been heard by then is whole
