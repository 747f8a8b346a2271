"""Order of the tests: the default part, then long ones (whole nights by the dozen), then those that start processes or
use the real clock, alone.

Several pytest-xdist workers share the first two; who runs alone holds a lock (flock(2)) that all the others share. At
the end each part's time is printed.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
import time
from collections.abc import Container, Iterator
from pathlib import Path

import pytest

WORKER, RUN = os.environ.get("PYTEST_XDIST_WORKER"), os.environ.get("PYTEST_XDIST_TESTRUNUID")


def pytest_configure(config: pytest.Config) -> None:
    """Each worker on a core of its own: a night ties itself to one, and two could choose the same."""
    if not WORKER:
        config.pluginmanager.register(PartTimes())
    if WORKER:
        cores = sorted(os.sched_getaffinity(0))
        os.environ["NIGHTRAMP_TEST_CORES"] = ",".join(map(str, cores))
        os.sched_setaffinity(0, {cores[int(WORKER.removeprefix("gw")) % len(cores)]})


PARTS = ("default", "long", "process")


def part_of(marks: Container[str]) -> str:
    return next((one for one in reversed(PARTS) if one in marks), PARTS[0])


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: PARTS.index(part_of([mark.name for mark in item.iter_markers()])))


class PartTimes:
    """Seconds from the first report to the last of each part, as whoever prints the closing line saw them."""

    def __init__(self) -> None:
        self.ends_s: dict[str, float] = {}
        self.begun_s: float | None = None

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        now_s = time.monotonic()
        if self.begun_s is None:
            self.begun_s = now_s - report.duration
        self.ends_s[part_of(report.keywords)] = now_s

    def pytest_terminal_summary(self, terminalreporter: pytest.TerminalReporter) -> None:
        begun_s = self.begun_s or 0.0
        for part in (one for one in PARTS if one in self.ends_s):
            terminalreporter.write_line(f"{part} part: {self.ends_s[part] - begun_s:.0f} s")
            begun_s = self.ends_s[part]


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """With its fixtures; whoever runs alone has all cores."""
    if WORKER is None:
        return (yield)
    alone = item.get_closest_marker("process") is not None
    lock = os.open(Path(tempfile.gettempdir()) / f"nightramp-tests-{RUN}", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    own = os.sched_getaffinity(0)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX if alone else fcntl.LOCK_SH)
        if alone:
            os.sched_setaffinity(0, {int(core) for core in os.environ["NIGHTRAMP_TEST_CORES"].split(",")})
        return (yield)
    finally:
        os.sched_setaffinity(0, own)
        fcntl.flock(lock, fcntl.LOCK_UN)  # not by closing alone: a test may have copied the descriptor
        os.close(lock)


@pytest.fixture(autouse=True)
def no_broker_of_its_own(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rehearsal in a test's own process starts no broker, but where that is what is tested: it costs seconds."""
    if "demo_feed" not in request.node.nodeid:
        monkeypatch.setattr("sequencer.publish.demo_feed.is_there", lambda: False)
