"""What `serve` was asked."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from sequencer.daemon.hours import Hours
from sequencer.page.wish import Wish as PageWish
from sequencer.proving.keep import USUAL, ProofAsked
from sequencer.publish.broker_url import Broker


@dataclass(frozen=True)
class Wish:
    """reference: unit and plan, measured first and last. once: until nothing can be
    taken. commands: those over MQTT are acted upon. page: where a live page is served. record: the folder where every
    byte of each night's links is written."""

    ledger: Path
    armed_by: str | None
    broker: Broker | None
    hours: Hours | None = None
    reference: tuple[str, str] | None = None
    once: bool = False
    commands: bool = False
    proof: ProofAsked = USUAL
    page: PageWish | None = None
    record: Path | None = None
