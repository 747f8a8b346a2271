"""A rehearsal's own broker and consumer, as its command line starts and ends them. No night depends on them."""

from __future__ import annotations

import contextlib
import importlib.util
import os
import re
import selectors
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sequencer.publish.broker_url import Broker

HOST, LIBRARY = "127.0.0.1", "amqtt"  # of the extra `demo`; speaks MQTT 3.1.1
STARTS_WITHIN_S, COUNTS_WITHIN_S, ENDS_WITHIN_S = 10.0, 5.0, 10.0
NO_EXTRA = "messages: in messages.jsonl; with the extra `demo` (pip install '.[demo]') they are published as well"
COUNT = re.compile(r"(\d+) messages, (\d+) repeated, (\d+) missing")


@dataclass
class DemoFeed:
    """The child that has both; what it said so far, and not yet a whole line."""

    child: subprocess.Popen[bytes]
    said: str = ""

    @property
    def broker(self) -> Broker:
        return Broker(HOST, int(self.said.split("\n", 1)[0]))

    def closing(self, sent: int) -> str:
        """How much was received of what was sent."""
        self.wait_for(COUNT.pattern, COUNTS_WITHIN_S)
        self.end()
        found = COUNT.search(self.said)
        if found is None:
            return f"a broker of this rehearsal's own: {sent} messages sent; the consumer did not say what it has"
        received = int(found[1])
        missing = max(int(found[3]), sent - received)
        return f"a broker of this rehearsal's own: {sent} messages sent, {received} received, {missing} missing"

    def wait_for(self, pattern: str, limit_s: float) -> bool:
        """Reads until what it said holds the pattern; False where it ends or the time is over."""
        assert self.child.stdout is not None
        end_s = _real_s() + limit_s
        with selectors.DefaultSelector() as ready:
            ready.register(self.child.stdout, selectors.EVENT_READ)
            while not re.search(pattern, self.said):
                if not ready.select(max(0.0, end_s - _real_s())):
                    return False
                chunk = os.read(self.child.stdout.fileno(), 65536)
                if not chunk:
                    return False
                self.said += chunk.decode("utf-8", "replace")
        return True

    def end(self) -> None:
        """Its stdin ends, and with it the consumer and the broker; once or more often."""
        assert self.child.stdin is not None
        assert self.child.stdout is not None
        with contextlib.suppress(OSError):
            self.child.stdin.close()
        self.wait_for("$.", ENDS_WITHIN_S)  # never: to the end of what it says
        try:
            self.child.wait(ENDS_WITHIN_S)
        except subprocess.TimeoutExpired:
            self.child.kill()
            self.child.wait()
        self.child.stdout.close()


def is_there() -> bool:
    """Whether the extra `demo` is installed."""
    return importlib.util.find_spec(LIBRARY) is not None


@contextlib.contextmanager
def demo_feed() -> Iterator[DemoFeed | None]:
    """Both, while the block runs; None where they did not start."""
    ours = str(Path(__file__).resolve().parents[2])
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, (ours, os.environ.get("PYTHONPATH"))))}
    child = subprocess.Popen(
        [sys.executable, "-P", "-m", "sequencer.publish.demo_broker"],
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,  # Ctrl-C is for the night: these two end with it
    )
    feed = DemoFeed(child)
    try:
        yield feed if feed.wait_for("listening", STARTS_WITHIN_S) else None
    finally:
        if not child.stdout or not child.stdout.closed:
            feed.end()


def _real_s() -> float:
    return time.monotonic()  # noqa: TID251 (processes live on real time)
