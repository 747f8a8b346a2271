"""Many units of one model: what is usual, who stands apart, how surely ratings and limits are kept. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from sequencer.analysis.capability import Capability, Held, capability, held
from sequencer.analysis.many import Spread, spread
from sequencer.comparing.figures import Figure, Measured


@dataclass(frozen=True)
class Apart:
    """A unit whose figure stands apart from the rest. z: the modified z-score."""

    run: Measured
    figure: Figure
    z: float


@dataclass(frozen=True)
class Usual:
    """One figure over the units of a model. low, high: its limits; kept: units by how they are kept; empty without."""

    model: str
    key: str
    what: str
    channel: str
    unit: str
    among: Spread
    apart: tuple[Apart, ...]
    low: float | None
    high: float | None
    kept: tuple[tuple[Held, int], ...]
    capable: Capability | None


def usual(runs: Sequence[Measured]) -> tuple[Usual, ...]:
    """runs: one of each unit. Figures that one unit alone has are left out: there is nothing usual about them."""
    by_key: dict[tuple[str, str], list[tuple[Measured, Figure]]] = {}
    for run in runs:
        for figure in run.figures:
            by_key.setdefault((run.model, figure.key), []).append((run, figure))
    return tuple(_usual(model, found) for (model, _), found in by_key.items() if len(found) > 1)


def _usual(model: str, found: Sequence[tuple[Measured, Figure]]) -> Usual:
    newest = found[-1][1]
    values = [figure.value for _, figure in found]
    among = spread(values)
    apart = [
        Apart(run, figure, z)
        for run, figure in found
        if among.outlying(figure.value) and (z := among.z(figure.value)) is not None
    ]
    limits = {(figure.low, figure.high) for _, figure in found}
    low, high = limits.pop() if len(limits) == 1 else (None, None)  # units of one model rated apart share none
    # What says only "at least" judges nothing below the rating.
    at_least = [figure.says_no_more_than_at_least for _, figure in found]
    sure = [one for (_, one), least in zip(found, at_least, strict=True) if not least or one.value >= (low or 0.0)]
    limited = low is not None or high is not None
    counts = Counter(held(one.value, one.expanded, low, high) for one in sure if limited)
    return Usual(
        model=model,
        key=newest.key,
        what=newest.what,
        channel=newest.channel,
        unit=newest.unit,
        among=among,
        apart=tuple(sorted(apart, key=lambda one: -abs(one.z))),
        low=low,
        high=high,
        kept=tuple(sorted(counts.items())),
        capable=capability([v for v, least in zip(values, at_least, strict=True) if not least], low, high),
    )
