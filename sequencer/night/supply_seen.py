"""The supply's volts and amps by the digitiser, where no remote meter reads them. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from sequencer.analysis.records import Record
from sequencer.plan.ammeter import Ammeter, ammeter
from sequencer.plan.models import Bench

RAIL_MARGIN = 1.4  # of the most volts that the bench allows


@dataclass(frozen=True)
class SupplySeen:
    """scales: of its inputs, volts at the unit that must fit. zero_a: what was shown when the supply was off."""

    rail: str | None = None
    amps: Ammeter | None = None
    scales: Mapping[str, float] = field(default_factory=dict)
    zero_a: float = 0.0


def supply_seen(bench: Bench) -> SupplySeen:
    """Nothing where the bench has a supply that is read: its own meter counts."""
    rail, amps = bench.input_for("rail"), ammeter(bench)
    if "supply" not in bench.by_hand or rail is None:
        return SupplySeen()
    scales = {rail: min(RAIL_MARGIN * bench.ceiling.supply_v, _widest_v(bench, rail))}
    if amps is not None:
        scales[amps.input] = min(bench.ceiling.supply_a * amps.volts_per_a, _widest_v(bench, amps.input))
    return SupplySeen(rail, amps, scales)


def _widest_v(bench: Bench, name: str) -> float:
    factor = bench.input[name].factor if name in bench.input else 1.0
    return factor * max(one.full_scale_v for one in bench.range if one.input in ("all", name))


def seen_in(records: Mapping[str, Record], by: SupplySeen) -> tuple[float, float]:
    """Means of V and A over the record; nan where it has no such input, or that one was overloaded."""
    amps = _mean(records, by.amps.input) / by.amps.volts_per_a - by.zero_a if by.amps else math.nan
    return _mean(records, by.rail), amps


def _mean(records: Mapping[str, Record], name: str | None) -> float:
    record = records.get(name) if name is not None else None
    return math.nan if record is None or record.overloaded else float(np.mean(record.volts))
