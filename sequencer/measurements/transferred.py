"""Gains of ranges as the meter has shown them: how later volts of the same run are put right, and what is left
uncertain of them. Pure: all from the rows of the run.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sequencer.analysis.uncertainty import Kind, Source

TRANSFER = "range_transfer"
METER = "meter"  # one physical source for everything it was compared with
RANGE_ALIKE = 0.02  # replies carry rounded digits

Corrections = Mapping[tuple[str, float], float]


@dataclass(frozen=True)
class Transferred:
    """One range of one input, probe included. reach_v: its largest magnitude, V at the unit; factor: true volts over
    those shown. meter_pct: the meter's own error at most (or its standard uncertainty, by meter_kind); scatter_pct:
    standard uncertainty of the mean ratio, with its degrees of freedom.
    """

    input: str
    full_scale_v: float
    reach_v: float
    factor: float
    meter_pct: float
    meter_kind: Kind
    scatter_pct: float
    freedom: float

    def sources(self) -> tuple[Source, Source]:
        """In the place of the range's and the probe's own."""
        own = Source.voltage(f"transfer:{self.input}:{self.full_scale_v:g}", "normal", self.scatter_pct, self.freedom)
        return Source.voltage(METER, self.meter_kind, self.meter_pct), own


def transferred(rows: Sequence[Mapping[str, Any]]) -> tuple[Transferred, ...]:
    """Of the last comparison among a run's rows that has any; only what is to be used."""
    for row in reversed(rows):
        if row.get("measurement") == TRANSFER and row.get("ranges"):
            return tuple(
                Transferred(**{key: one[key] for key in Transferred.__dataclass_fields__})
                for one in row["ranges"]
                if one["used"]
            )
    return ()


def corrections(rows: Sequence[Mapping[str, Any]]) -> Corrections:
    """(input, reach at the unit) -> factor."""
    return {(one.input, one.reach_v): one.factor for one in transferred(rows)}


def factor_for(found: Corrections, name: str, full_scale_v: float) -> float:
    """What the volts of a record on this input and range are multiplied with; 1 where it was not compared."""
    for (wire, reach_v), factor in found.items():
        if wire == name and abs(full_scale_v / reach_v - 1.0) <= RANGE_ALIKE:
            return factor
    return 1.0
