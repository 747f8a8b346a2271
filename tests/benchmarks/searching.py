"""What a search costs in shots and joules, against a plain ramp on the same units. Counts, not seconds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.benchmarks.table import Row
from tests.sequencer.search_runs import WAYS, Pair, Run, runs
from tests.sequencer.search_units import PLAIN

UNITS = 100  # of each kind


def rows() -> list[Row]:
    found = []
    for way in WAYS:
        pairs = [pair for kind in PLAIN for pair in runs(kind, way, UNITS)]
        for what, unit in (("shots", "shots"), ("energy", "shots' J"), ("heat", "shots' J")):
            ours, ramp = (_mean(side, what) for side in _sides(pairs))
            found.append(Row("search", f"{what}, window {way}", ours, unit, "a plain ramp, same confirms", ramp))
    return found


def _sides(pairs: Sequence[Pair]) -> tuple[list[Run], list[Run]]:
    return [pair.search for pair in pairs], [pair.ramp for pair in pairs if pair.ramp is not None]


def _mean(found: Sequence[Run], what: str) -> float:
    return float(np.mean([getattr(run, what) for run in found]))
