"""Stamps and run ids: from the clock handed in, so that a rehearsal's files compare byte for byte."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta

from drivers.timing import Clock


@dataclass(frozen=True)
class Stamps:
    """RFC 3339 stamps: `start` is the wall time at the clock's nought; a fixed date in a dry run."""

    clock: Clock
    start: datetime

    def now(self) -> str:
        return self.at(self.clock.now_ns())

    def at(self, when_ns: int) -> str:
        return (self.start + timedelta(microseconds=when_ns // 1000)).isoformat(timespec="milliseconds")

    def ns_of(self, stamp: str) -> int:
        """Bench clock at a stamp, of this process or of one before; whole microseconds, which both have."""
        return (datetime.fromisoformat(stamp) - self.start) // timedelta(microseconds=1) * 1000


def run_id(seed: int, plan_sha256: str, serial: str, number: int) -> str:
    """Short and stable: the same seed, plan, unit and place in the night give the same id."""
    text = f"{seed}/{plan_sha256}/{serial}/{number}"
    return "r" + hashlib.sha256(text.encode()).hexdigest()[:10]
