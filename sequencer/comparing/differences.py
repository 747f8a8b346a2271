"""Differences of like figures of two runs, and whether they mean anything. Pure.

What both runs owe to the same physical thing (the same range of the same digitiser in the same calibration, the same
load, the same probe) moves both alike, so it leaves their difference: that is better known than either figure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from sequencer.analysis.many import Spread, spread
from sequencer.analysis.uncertainty import OWN, Part, combined_u, coverage_factor, difference
from sequencer.comparing.figures import Figure, Measured

Means = Literal["differs", "no difference seen", "not known"]
SUM_ONLY = "only the sum of its uncertainty is kept: what both share counts twice, so its ± is on the large side"
NO_UNCERTAINTY = "its uncertainty is not known"
SAME_PLACE = 1e-9  # of the figure: below it no floating point number tells two apart


@dataclass(frozen=True)
class Difference:
    """second minus first, in their unit. expanded: of the difference, at 95 %. shared: sources that left it."""

    first: Figure
    second: Figure
    value: float
    expanded: float | None
    factor: float | None
    shared: tuple[str, ...]
    means: Means
    note: str = ""

    @property
    def pct(self) -> float | None:
        """Of the first; None where a ratio says nothing: levels in dB, temperatures, signs that differ."""
        if "dB" in self.second.unit or "deg" in self.second.unit or self.second.unit == "%":
            return None
        if self.first.value * self.second.value <= 0.0:
            return None
        return 100.0 * (self.second.value / self.first.value - 1.0)


@dataclass(frozen=True)
class Pair:
    """Two runs. left_out: names of figures that only one of them has."""

    first: Measured
    second: Measured
    differences: tuple[Difference, ...]
    left_out: tuple[str, ...]

    @property
    def differing(self) -> tuple[Difference, ...]:
        return tuple(one for one in self.differences if one.means == "differs")

    @property
    def known(self) -> int:
        """How many differences have an uncertainty."""
        return sum(one.means != "not known" for one in self.differences)

    @property
    def shared(self) -> tuple[str, ...]:
        return tuple(sorted({source for one in self.differences for source in one.shared}))


@dataclass(frozen=True)
class Unlike:
    """One figure of a unit against those of its model. z: the modified z-score; None: too few to know. apart: from the
    unit in the middle, so that what both share leaves the difference."""

    figure: Figure
    among: Spread
    z: float | None
    unlike: bool
    apart: Difference


def pair(first: Measured, second: Measured) -> Pair:
    """In the order of the second run's figures."""
    before = {one.key: one for one in first.figures}
    later = {one.key for one in second.figures}
    told = tuple(_difference(first, second, before[one.key], one) for one in second.figures if one.key in before)
    only = [one.name for one in first.figures if one.key not in later]
    only += [one.name for one in second.figures if one.key not in before]
    return Pair(first, second, told, tuple(only))


def _difference(first: Measured, second: Measured, before: Figure, after: Figure) -> Difference:
    value = after.value - before.value
    if before.parts and after.parts:
        theirs, shared = _told_apart(before.parts, first, second)
        ours, too = _told_apart(after.parts, second, first)
        shared = tuple(id for id in shared if id in too)  # another range was used: then its error is in both apart
        parts = difference(ours, theirs)
        combined, factor = combined_u(parts), coverage_factor(parts)
        expanded, note = factor * combined, _ended_early(before, after)
        return Difference(before, after, value, expanded, factor, shared, _means(value, expanded, after), note)
    if before.expanded is None or after.expanded is None:
        return Difference(before, after, value, None, None, (), "not known", NO_UNCERTAINTY)
    expanded = math.hypot(before.expanded, after.expanded)
    return Difference(before, after, value, expanded, None, (), _means(value, expanded, after), SUM_ONLY)


def _means(value: float, expanded: float, after: Figure) -> Means:
    least = SAME_PLACE * abs(after.value)
    return "differs" if abs(value) > max(expanded, least) else "no difference seen"


def _told_apart(parts: Sequence[Part], own: Measured, other: Measured) -> tuple[tuple[Part, ...], tuple[str, ...]]:
    """Parts whose thing is another one in the other run get the run's id behind theirs; and the ids that are shared."""
    shared, told = [], []
    for part in parts:
        if part.id in OWN or own.shares(part.id, other):
            told.append(part)
            shared += [part.id] if part.id not in OWN else []
        else:
            told.append(replace(part, id=f"{part.id} of {own.id} {own.begun} {own.bench}"))
    return tuple(told), tuple(shared)


def _ended_early(before: Figure, after: Figure) -> str:
    """A power whose ramp ended before its limit is the least that it gives."""
    ends = [
        f"the {which} ramp ended before its limit ({one.at_least}): at least"
        for which, one in (("first", before), ("second", after))
        if one.at_least
    ]
    return "; ".join(ends)


def against_model(unit: Measured, others: Sequence[Measured]) -> tuple[Unlike, ...]:
    """Figures of the unit that at least one of the others has: healthy runs of its model, one of each unit."""
    return tuple(_unlike(unit, others))


def _unlike(unit: Measured, others: Sequence[Measured]) -> Iterator[Unlike]:
    by_key: dict[str, list[tuple[Figure, Measured]]] = {}
    for one in others:
        for figure in one.figures:
            by_key.setdefault(figure.key, []).append((figure, one))
    for figure in unit.figures:
        found = by_key.get(figure.key)
        if not found:
            continue
        among = spread([one.value for one, _ in found])
        middle, whose = min(found, key=lambda one: (abs(one[0].value - among.median), one[1].begun, one[1].serial))
        yield Unlike(
            figure, among, among.z(figure.value), among.outlying(figure.value), _difference(whose, unit, middle, figure)
        )
