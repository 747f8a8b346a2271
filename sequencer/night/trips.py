"""What ends a unit or a night: made safe, recorded, needs a person."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


class Trip(Exception):
    """A trip limit was passed or an instrument failed: made safe, recorded, needs a person. rule: its name."""

    def __init__(self, sentence: str, rule: str | None = None) -> None:
        super().__init__(sentence)
        self.rule = rule


class NotPowered(Trip):
    """The unit took more than its supply gives: its own doing, as far as the supply can tell."""


class UnitTrip(Trip):
    """The unit itself passed a trip limit. after_trip: what the plan says is next."""

    def __init__(self, sentence: str, row: Mapping[str, Any] | None = None, after_trip: str = "next unit") -> None:
        super().__init__(sentence)
        self.row, self.after_trip = dict(row or {}), after_trip
