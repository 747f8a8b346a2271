"""Who publishes, and where."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime

from sequencer.publish.broker_url import Broker
from sequencer.publish.messages import BenchState


def _wall() -> datetime:
    return datetime.now(UTC)  # noqa: TID251 (commands expire by the clock of those who send them)


@dataclass(frozen=True)
class Sender:
    """Who publishes, and where. identifier: the client's, the same for each connection of one night. stamp: bench
    time; now: wall time."""

    broker: Broker
    bench: str
    identifier: str
    stamp: Callable[[], str]
    now: Callable[[], datetime] = _wall
    state: tuple[BenchState, str] = ("at work", "a night is under way")
