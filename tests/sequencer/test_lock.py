"""One process on one bench: flock(2) belongs to a process, and goes with it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from sequencer import lock
from sequencer.lock import BenchHeld, BenchLock, key_of, known
from sequencer.safety.freeze import began

ROOT = Path(__file__).resolve().parents[2]
HOLDS = """
import json, sys
from pathlib import Path
from sequencer.lock import BenchLock
lock = BenchLock(json.loads(sys.argv[1]))
lock.take("ferry", Path(sys.argv[2]))
print("held", flush=True)
input()
"""


@pytest.fixture
def addresses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """Of a bench that no other test has."""
    run = tmp_path / "run"
    run.mkdir()
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(run))
    return {"generator": f"TCPIP::{tmp_path.name}::1::SOCKET", "supply": "TCPIP::h::2::SOCKET", "digitiser": "x"}


@contextmanager
def holding(addresses: dict[str, str], bench_file: Path, **environment: str) -> Iterator[subprocess.Popen[str]]:
    words = [sys.executable, "-P", "-c", HOLDS, json.dumps(addresses), str(bench_file)]
    inherited = {k: v for k, v in os.environ.items() if environment.get(k) != "(unset)"}
    changed = {k: v for k, v in environment.items() if v != "(unset)"}
    process = subprocess.Popen(
        words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env=inherited | {"PYTHONPATH": str(ROOT)} | changed,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
    finally:
        process.kill()
        process.communicate()


def test_it_says_who_holds_it_and_where_its_frozen_file_is(addresses: dict[str, str], tmp_path: Path) -> None:
    own = BenchLock(addresses)
    assert own.held_by() is None
    with holding(addresses, tmp_path / "b.toml") as process:
        holder = own.held_by()
        assert holder is not None
        assert (holder.pid, holder.pid_began) == (process.pid, began(process.pid))
        assert holder.lives
        assert holder.bench_file == str(tmp_path / "b.toml")
        assert holder.frozen == str(own.frozen_path)
        with pytest.raises(BenchHeld) as caught:
            own.take("ferry", tmp_path / "b.toml")
        assert caught.value.holder == holder
        assert [one.holder for one in known() if one.is_held and one.path == own.path] == [holder]


def test_a_lock_whose_process_was_killed_is_no_obstacle(addresses: dict[str, str], tmp_path: Path) -> None:
    own = BenchLock(addresses)
    with holding(addresses, tmp_path / "b.toml") as process:
        process.kill()
        process.wait()
        assert own.path.exists(), "the file stays: this test would show nothing"
        assert own.held_by() is None
        with own.taken("ferry", tmp_path / "b.toml"):
            holder = own.held_by()
            assert holder is not None
            assert holder.pid == os.getpid()
    assert own.held_by() is None


@pytest.mark.parametrize("junk", ["", "{", "[]", '{"pid": "1"}', "\0" * 40])
def test_what_a_stale_file_says_does_not_matter(junk: str, addresses: dict[str, str], tmp_path: Path) -> None:
    own = BenchLock(addresses)
    own.path.parent.mkdir(mode=0o700)
    own.path.write_text(junk)
    assert own.held_by() is None
    assert [one for one in known() if one.path == own.path] == []
    with own.taken("ferry", tmp_path / "b.toml"):
        assert own.held_by() is not None


def test_who_was_started_without_a_login_is_found(addresses: dict[str, str], tmp_path: Path) -> None:
    """cron sets no XDG_RUNTIME_DIR (pam_systemd(8) does, at a login)."""
    own = BenchLock(addresses)
    try:
        with holding(addresses, tmp_path / "b.toml", XDG_RUNTIME_DIR="(unset)") as process:
            holder = own.held_by()
            assert holder is not None
            assert holder.pid == process.pid
    finally:
        for folder in lock.folders():
            (folder / own.path.name).unlink(missing_ok=True)


def test_a_folder_of_somebody_else_is_not_used(
    addresses: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = BenchLock(addresses)
    (tmp_path / "elsewhere").mkdir()
    own.path.parent.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(PermissionError):
        own.take("ferry", tmp_path / "b.toml")
    folder = own.path.parent
    folder.unlink()
    folder.mkdir()
    monkeypatch.setattr(lock, "folders", lambda: (folder,))
    monkeypatch.setattr(os, "getuid", lambda: 12_345)
    with pytest.raises(PermissionError):
        BenchLock(addresses).take("ferry", tmp_path / "b.toml")


def test_a_bench_is_what_can_energise(addresses: dict[str, str]) -> None:
    """Two files that differ in a thermometer are one bench; another supply is another bench."""
    assert key_of(addresses) == key_of(addresses | {"digitiser": "y"})
    assert key_of(addresses) == key_of(addresses | {"supply": " tcpip::H::2::socket "})
    assert key_of(addresses) != key_of(addresses | {"supply": "TCPIP::h::3::SOCKET"})
