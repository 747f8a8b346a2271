"""Many units of one model: what is usual, who stands apart, how surely the rated power is kept. Pure."""

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
    """One figure over the units of a model. kept: units by how the rating is kept; empty without a rating."""

    model: str
    key: str
    what: str
    channel: str
    unit: str
    among: Spread
    apart: tuple[Apart, ...]
    low: float | None
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
    lows = {figure.low for _, figure in found}
    low = lows.pop() if len(lows) == 1 else None  # units of one model that are rated apart share no limit
    # A ramp that ended before its limit says only "at least": below the rating that judges nothing.
    sure = [figure for _, figure in found if not figure.at_least or (low is not None and figure.value >= low)]
    counts = Counter(_held(figure, low) for figure in sure) if low is not None else Counter[Held]()
    return Usual(
        model=model,
        key=newest.key,
        what=newest.what,
        channel=newest.channel,
        unit=newest.unit,
        among=among,
        apart=tuple(sorted(apart, key=lambda one: -abs(one.z))),
        low=low,
        kept=tuple(sorted(counts.items())),
        capable=capability([figure.value for _, figure in found if not figure.at_least], low, None),
    )


def _held(figure: Figure, low: float | None) -> Held:
    return held(figure.value, figure.expanded, low, None)
