"""Where a ramp will end, from what is known before it: file, measured gain, and points already done. Pure.

The prediction is worth more than any cleverness in the search: each point inherits from its nearest neighbour.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sequencer.measurements.search_model import Knowledge

# Half-widths in dB of the hard-clip onset, as bounds, not as standard deviations.
SAME_LOAD_DB = 0.5
LONGER_BURST_DB = 1.5  # a rail may sag between one cycle and many: only downwards
OTHER_LOAD_DB = 1.5
FILE_ONLY_DB = 3.0


@dataclass(frozen=True)
class Learned:
    """A finished point of this unit. offset_db: onset found minus onset expected from the file's volts."""

    load_ohm: float
    frequency_hz: float
    cycles: int
    supply_v: float
    offset_db: float
    soft: bool


def onset_expected_db(clip_v: Mapping[str, float], gain_db: Mapping[str, float]) -> float:
    """Level (dB re 1 Vrms at the unit's input) at which the first channel's crest reaches its clip volts."""
    return min(20.0 * math.log10(volts / math.sqrt(2.0)) - gain_db[name] for name, volts in clip_v.items())


def _nearness(one: Learned, load_ohm: float, frequency_hz: float, cycles: int, supply_v: float) -> tuple[float, ...]:
    return (
        abs(one.supply_v - supply_v),
        abs(math.log(one.load_ohm / load_ohm)),
        abs(math.log(one.frequency_hz / frequency_hz)),
        abs(math.log(one.cycles / cycles)),
    )


def knowledge(
    expected_db: float,
    learned: Sequence[Learned],
    *,
    load_ohm: float,
    frequency_hz: float,
    cycles: int,
    supply_v: float,
    steady: bool = False,
) -> Knowledge:
    """Bounds of the onset for the next point; supply volts scale the file's clip volts before this.

    steady: rails sag further than in any burst, so it is sought from 1.5 dB below the longest burst's.
    """
    if not learned:
        return Knowledge(expected_db - FILE_ONLY_DB, expected_db + FILE_ONLY_DB, softness_known=False)
    best = min(
        reversed(learned),
        key=lambda one: _nearness(one, load_ohm, frequency_hz, cycles, supply_v),
    )
    centre = expected_db + best.offset_db
    below = above = SAME_LOAD_DB
    if best.cycles < cycles and (steady or best.cycles < 8):
        below = LONGER_BURST_DB
    if best.cycles > cycles:
        above = LONGER_BURST_DB
    if best.load_ohm != load_ohm or best.supply_v != supply_v or best.frequency_hz != frequency_hz:
        below, above = max(below, OTHER_LOAD_DB), max(above, OTHER_LOAD_DB)
    return Knowledge(centre - below, centre + above, softness_known=not best.soft)
