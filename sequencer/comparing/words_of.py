"""How a comparison is worded: figures with their uncertainty, differences with their sign, what they mean. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.analysis.capability import Held, Index
from sequencer.analysis.rounding import MINUS
from sequencer.comparing.differences import Difference, Pair
from sequencer.comparing.figures import Figure
from sequencer.report import words

CHANCE = 0.05  # so often a difference passes its uncertainty at 95 % though nothing has changed
KEPT: dict[Held, str] = {
    "within": "within, whatever the uncertainty",
    "within, near": "within, nearer than the uncertainty",
    "outside, near": "outside, nearer than the uncertainty",
    "outside": "outside, whatever the uncertainty",
}


def figure(one: Figure) -> str:
    """ "≥ 61.8 ±1.6" where the ramp ended before its limit."""
    return ("≥ " if one.at_least else "") + words.measured(one.value, one.expanded)


def difference(one: Difference) -> str:
    """ "+1.2 ±0.9": the sign is the point of it."""
    return signed(one.value, words.measured(one.value, one.expanded))


def signed(value: float, shown: str) -> str:
    """With a plus before what is above nought and shows as such."""
    digits = shown.partition(" ")[0].strip(f"0.{MINUS}")
    return f"+{shown}" if value > 0.0 and digits else shown


def pct(one: Difference) -> str:
    if one.pct is None:
        return words.NONE
    return signed(one.pct, words.fixed(one.pct, 1 if abs(one.pct) >= 1.0 else 2))


def limits(low: float | None, high: float | None, unit: str) -> str:
    """ "at least 60 W", "0.8 to 1.45 A", "−0.02 to 0.02 V"."""
    ends = [f"{one:g}".replace("-", MINUS) for one in (low, high) if one is not None]
    told = " to ".join(ends) if len(ends) == 2 else f"{'at most' if low is None else 'at least'} {ends[0]}"
    return f"{told} {unit}".strip()


def index(one: Index) -> str:
    """ "1.41 (1.05 to 1.77)"."""
    return f"{words.fixed(one.value, 2)} ({words.fixed(one.low, 2)} to {words.fixed(one.high, 2)})"


def summary(pair: Pair) -> list[str]:
    """What comes first: how many differ, by how much chance alone would let differ, and what both share."""
    told = [words.told(f"{words.of(len(pair.differing), pair.known, 'figures differ by more than their uncertainty')}")]
    if pair.known >= 1 / CHANCE:
        told.append(f"By chance alone about {round(CHANCE * pair.known)} of {pair.known} would.")
    if pair.shared:
        named = "; ".join(words.source(source) for source in pair.shared)
        told.append(f"The same thing in both runs, so that its error leaves the difference: {named}.")
    elif any(one.second.parts for one in pair.differences):
        told.append("No source of uncertainty is the same thing in both runs: every one counts twice.")
    return told


def meaning(one: Difference) -> str:
    return f"{one.means}; {one.note}" if one.note and one.second.parts else one.means


def left_out(names: Sequence[str], at_most: int = 6) -> str:
    """ "a, b and 3 more"."""
    if len(names) <= at_most:
        return words.listed(list(names))
    return f"{', '.join(names[:at_most])} and {len(names) - at_most} more"
