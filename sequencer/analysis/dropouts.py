"""A tone that should be steady, block by block: where its output was gone, or not what it was, for a while. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from sequencer.analysis.folded import Real
from sequencer.analysis.records import Record

BLOCK_CYCLES = 10  # long enough to be no part of a cycle, short enough for a contact that chatters (our own judgement)
LEAST_DB = -80.0  # what nothing at all is called: a logarithm needs something


@dataclass(frozen=True)
class Dropout:
    """A stretch of one record. at_s: its begin, since the burst's; lasted_s: in whole blocks, as far as the record
    shows; db: re what is due, where it was furthest away."""

    at_s: float
    lasted_s: float
    db: float


def block_volts(record: Record, frequency_hz: float, from_s: float, to_s: float) -> Real:
    """Vrms of the tone in each block of ten cycles between two instants of the burst, shape (n,): the one line of
    each block's spectrum, so that hum, offset and noise are no output. Empty where no block fits."""
    dt = record.sample_interval_s
    size = round(BLOCK_CYCLES / frequency_hz / dt)
    times = record.times_s
    volts = record.volts[(times >= from_s) & (times < to_s)]
    blocks = volts.size // size if size else 0
    if not blocks:
        return np.empty(0)
    turns = np.exp(-2j * math.pi * frequency_hz * dt * np.arange(size))
    each = volts[: blocks * size].reshape(blocks, size)
    each = each - each.mean(axis=1, keepdims=True)
    return np.asarray(np.abs(each @ turns) * math.sqrt(2.0) / size, dtype=np.float64)


def dropouts(levels_v: Real, due_v: float, bound_db: float, from_s: float, block_s: float) -> list[Dropout]:
    """Runs of blocks further than bound_db from what is due, either way, in order. levels_v: as `block_volts` gives."""
    away = [level_db(float(volts), due_v) for volts in levels_v]
    found: list[Dropout] = []
    begun: int | None = None
    for k in range(len(away) + 1):
        outside = k < len(away) and abs(away[k]) > bound_db
        if outside and begun is None:
            begun = k
        elif not outside and begun is not None:
            found.append(Dropout(from_s + begun * block_s, (k - begun) * block_s, _furthest(away[begun:k])))
            begun = None
    return found


def level_db(volts: float, due_v: float) -> float:
    """dB re what is due, never below -80."""
    return max(20.0 * math.log10(max(volts, 1e-12) / due_v), LEAST_DB)


def _furthest(away: Sequence[float]) -> float:
    return max(away, key=abs)
