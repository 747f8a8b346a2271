"""The first rules of safety. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from sequencer.measurements.requests import Reply, Request
from sequencer.plan.models import Bay, Bench, Unit


@dataclass(frozen=True)
class Breach:
    name: str
    sentence: str
    quantity: str
    value: float
    limit: float


class Rules:
    def __init__(self, unit: Unit, bench: Bench, bay: Bay, measurement: str) -> None:
        self._given = (unit, bench, bay)

    def next(self, measurement: str) -> Rules:
        return Rules(*self._given, measurement)

    def hear(self, request: Request, reply: Reply) -> Breach | None:
        return None
