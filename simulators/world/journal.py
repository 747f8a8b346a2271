"""What really happened: the truth that tests hold the bench's own records against."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class BurstRow:
    """One burst of the generator. Joules per channel into loads and unit, and out of the supply.

    heat and supply include the idle power during the burst, and the recharging of the reservoir after it.
    cut: it ended before its last cycle, or is endless.
    """

    start_ns: int
    end_ns: int
    emf_vrms: float
    frequency_hz: float
    cycles: int | None
    bay: str | None
    serial: str | None
    load_j: tuple[float, ...]
    heat_j: tuple[float, ...]
    supply_j: float
    cut: bool


@dataclass(frozen=True)
class EventRow:
    """Something that should not happen on a bench, or a change of the power."""

    start_ns: int
    text: str


JournalRow = BurstRow | EventRow
