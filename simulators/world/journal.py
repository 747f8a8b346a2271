"""What really happened: the truth that tests hold the bench's own records against."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulators.world.setting import Setting, Work


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


def burst_row(setting: Setting, bay: str | None, end_ns: int, work: Work) -> BurstRow:
    """The row of the burst that `setting` has; it must have one."""
    tone = setting.tone
    assert tone is not None
    return BurstRow(
        start_ns=tone.start_ns,
        end_ns=end_ns,
        emf_vrms=tone.peak_v / math.sqrt(2.0),
        frequency_hz=tone.frequency_hz,
        cycles=tone.cycles,
        bay=bay,
        serial=setting.unit.serial if setting.unit else None,
        load_j=work.load_j,
        heat_j=work.heat_j,
        supply_j=work.supply_j,
        cut=end_ns != tone.end_ns,
    )
