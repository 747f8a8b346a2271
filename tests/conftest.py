"""Order of the tests: those that start processes or use the real clock run last, alone.

Several pytest-xdist workers share the rest; who runs alone holds a lock (flock(2)) that all the others share.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

WORKER, RUN = os.environ.get("PYTEST_XDIST_WORKER"), os.environ.get("PYTEST_XDIST_TESTRUNUID")


def pytest_configure() -> None:
    """Each worker on a core of its own: a night ties itself to one, and two could choose the same."""
    if WORKER:
        cores = sorted(os.sched_getaffinity(0))
        os.environ["NIGHTRAMP_TEST_CORES"] = ",".join(map(str, cores))
        os.sched_setaffinity(0, {cores[int(WORKER.removeprefix("gw")) % len(cores)]})


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.get_closest_marker("process") is not None)


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
