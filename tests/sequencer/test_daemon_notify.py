"""What a service tells its manager, heard by a real datagram socket; the words are those of sd_notify(3)."""

from __future__ import annotations

import os
import socket
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

from sequencer.daemon.notify import Notifier
from sequencer.daemon.unit_file import Service, unit_text


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.bind(str(tmp_path / "notify"))
        one.setblocking(False)
        yield one


def said(heard: socket.socket) -> list[str]:
    found = []
    while True:
        try:
            found.append(heard.recv(4096).decode())
        except BlockingIOError:
            return found


class Hand:
    """A clock turned by hand."""

    def __init__(self) -> None:
        self.s = 1.0

    def now_ns(self) -> int:
        return round(self.s * 1e9)


def test_the_words_and_how_often(heard: socket.socket) -> None:
    """sd_watchdog_enabled(3) recommends half of the time that is allowed; here a quarter: 8 s allowed, every 2 s."""
    hand = Hand()
    environment = {"NOTIFY_SOCKET": heard.getsockname(), "WATCHDOG_USEC": "8000000", "WATCHDOG_PID": str(os.getpid())}
    notifier = Notifier.from_environment(environment, hand.now_ns)
    notifier.ready()
    notifier.status("entry 1:\nunit MV-0117")
    notifier.status("entry 1:\nunit MV-0117")
    for _ in range(100):  # 10 s in tenths
        notifier.alive()
        hand.s += 0.1
    notifier.stopping()
    first, second, *pulses, last = said(heard)
    assert (first, second, last) == ("READY=1", "STATUS=entry 1: unit MV-0117", "STOPPING=1")
    assert set(pulses) == {"WATCHDOG=1"}
    assert len(pulses) == 5


def test_an_abstract_name() -> None:
    """unix(7): a name that begins with a null byte is no file; systemd writes it with an `@`."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        name = f"nightramp-test-{os.getpid()}"
        heard.bind(f"\0{name}")
        heard.setblocking(False)
        Notifier.from_environment({"NOTIFY_SOCKET": f"@{name}"}, Hand().now_ns).ready()
        assert said(heard) == ["READY=1"]


@pytest.mark.parametrize(
    "environment",
    [
        {},
        {"NOTIFY_SOCKET": "not a path", "WATCHDOG_USEC": "1"},
        {"NOTIFY_SOCKET": "/nobody/listens/here", "WATCHDOG_USEC": "1"},
        {"NOTIFY_SOCKET": "@", "WATCHDOG_USEC": "many"},
    ],
)
def test_nobody_to_tell_is_no_trouble(environment: dict[str, str]) -> None:
    notifier = Notifier.from_environment(environment, Hand().now_ns)
    for tell in (notifier.ready, notifier.alive, notifier.stopping):
        tell()


def test_a_watchdog_meant_for_another_process_is_not_fed(heard: socket.socket) -> None:
    environment = {"NOTIFY_SOCKET": heard.getsockname(), "WATCHDOG_USEC": "8000000", "WATCHDOG_PID": "1"}
    Notifier.from_environment(environment, Hand().now_ns).alive()
    assert said(heard) == []


def test_the_unit_file_keeps_the_guardian_and_begins_nothing_by_itself() -> None:
    """What each key does is in systemd.kill(5) and systemd.service(5)."""
    text = unit_text(
        Service(("nightramp", "serve", "--armed-by", 'the "night" shift, 100 %, $5'), "workshop", "/srv/nights", "b")
    )
    keys = dict(line.split("=", 1) for line in text.splitlines() if "=" in line and not line.startswith("#"))
    assert (keys["Type"], keys["KillMode"], keys["Restart"]) == ("notify", "process", "no")
    assert int(keys["TimeoutStopSec"]) > 116 + 25, "a slow rail's bleeding, and making safe"
    assert "[Install]" not in [line.strip() for line in text.splitlines()]
    assert keys["ExecStart"] == r'nightramp serve --armed-by "the \"night\" shift, 100 %%, $$5"'


def test_systemd_itself_finds_nothing_wrong(tmp_path: Path) -> None:
    """systemd-analyze verify, where it is there."""
    path = tmp_path / "nights.service"
    path.write_text(unit_text(Service(("/bin/true", "--armed-by", "a b"), "root", "/", "bench")))
    try:
        done = subprocess.run(["systemd-analyze", "verify", str(path)], capture_output=True, text=True, timeout=60)
    except FileNotFoundError:
        pytest.skip("no systemd here")
    if "Failed to" in done.stderr and "manager" in done.stderr.lower():
        pytest.skip("systemd-analyze needs a manager that is not there")
    assert (done.returncode, done.stderr) == (0, "")
