"""One unit over the years: its figures by date, a line through each, and whether it has drifted. Pure.

Of a reference unit that lies on the shelf between its runs, what drifts is the bench.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from sequencer.analysis.line import fit_line
from sequencer.analysis.many import lag_one
from sequencer.analysis.uncertainty import OWN, student
from sequencer.comparing.differences import Difference, pair
from sequencer.comparing.figures import Figure, Measured

YEAR_S = 365.25 * 86400.0
FEWEST_FOR_A_LINE = 5  # our own judgement: of three the slope's factor is 12.7, and says nothing


@dataclass(frozen=True)
class Reading:
    """One run's figure. years: since the first of them."""

    run: Measured
    figure: Figure
    years: float


@dataclass(frozen=True)
class Drift:
    """A straight line through the readings. slope, expanded: per year, at 95 %, from the readings' own scatter.

    at_first, at_last: the line's values there, with their expanded uncertainties. chained: neighbours lie on the same
    side more often than chance lets them: then the slope is known less well than its uncertainty says.
    """

    slope: float
    expanded: float
    at_first: tuple[float, float]
    at_last: tuple[float, float]
    lag_one: float
    chained: bool

    @property
    def drifts(self) -> bool:
        return abs(self.slope) > self.expanded


@dataclass(frozen=True)
class History:
    """readings by date. drift: None below five, or where all are of one moment. last: the last against the first."""

    key: str
    what: str
    channel: str
    unit: str
    readings: tuple[Reading, ...]
    drift: Drift | None
    last: Difference


def histories(runs: Sequence[Measured]) -> tuple[History, ...]:
    """Of every figure that two runs have, in the order of the newest run's figures."""
    ordered = sorted(runs, key=lambda one: (_when(one), one.id))
    by_key: dict[str, list[tuple[Measured, Figure]]] = {}
    for run in ordered:
        for figure in run.figures:
            by_key.setdefault(figure.key, []).append((run, figure))
    newest = [figure.key for run in reversed(ordered) for figure in run.figures]
    return tuple(_history(by_key[key]) for key in dict.fromkeys(newest) if len(by_key[key]) > 1)


def changed_things(runs: Sequence[Measured]) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """(date, sources) of every run in which a source of uncertainty is another thing than in the run before it: there a
    figure may jump though neither unit nor bench has drifted. runs: by date."""
    found = []
    for before, run in pairwise(runs):
        ids = {part.id for one in run.figures for part in one.parts} - OWN
        both = ids & {part.id for one in before.figures for part in one.parts}
        other = tuple(sorted(id for id in both if not id.startswith("transfer:") and not run.shares(id, before)))
        if other:
            found.append((run.begun[:10], other))
    return tuple(found)


def _history(found: Sequence[tuple[Measured, Figure]]) -> History:
    begun = [_when(run) for run, _ in found]
    readings = tuple(
        Reading(run, figure, (when - begun[0]) / YEAR_S) for (run, figure), when in zip(found, begun, strict=True)
    )
    (first, one), (last, other) = found[0], found[-1]
    return History(
        key=other.key,
        what=other.what,
        channel=other.channel,
        unit=other.unit,
        readings=readings,
        drift=_drift(readings),
        last=pair(_with(first, one), _with(last, other)).differences[0],
    )


def _with(run: Measured, figure: Figure) -> Measured:
    return Measured(**{**run.__dict__, "figures": (figure,)})


def _drift(readings: Sequence[Reading]) -> Drift | None:
    years = np.asarray([one.years for one in readings])
    values = np.asarray([one.figure.value for one in readings])
    if len(readings) < FEWEST_FOR_A_LINE or float(np.ptp(years)) <= 0.0:
        return None
    line = fit_line(years, values)
    factor = student(line.freedom)
    left = [float(value - line.at(float(year)).nominal_value) for year, value in zip(years, values, strict=True)]
    ends = [line.at(float(year)) for year in (years[0], years[-1])]
    beside = lag_one(left)
    return Drift(
        float(line.slope.nominal_value),
        factor * float(line.slope.std_dev),
        (float(ends[0].nominal_value), factor * float(ends[0].std_dev)),
        (float(ends[1].nominal_value), factor * float(ends[1].std_dev)),
        beside,
        # e-Handbook 1.3.3.1: of random readings 95 % lie within +- 1.96 / sqrt(n)
        beside > student(math.inf) / math.sqrt(len(left)),
    )


def _when(run: Measured) -> float:
    """Seconds of a stamp; one that is no time comes first."""
    try:
        return datetime.fromisoformat(run.begun).timestamp()
    except ValueError:
        return 0.0
