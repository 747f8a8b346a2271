"""Whole numbers as spans, both ends included. Pure."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence

Span = tuple[int, int]


def joined(spans: Sequence[Span]) -> list[Span]:
    """The same numbers in as few spans as can be, in order; neighbours become one."""
    made: list[Span] = []
    for first, last in sorted(spans):
        if made and first <= made[-1][1] + 1:
            made[-1] = (made[-1][0], max(made[-1][1], last))
        else:
            made.append((first, last))
    return made


def added(spans: Sequence[Span], one: Span) -> list[Span]:
    """Joined spans, with one more; at the end, where it mostly belongs, at once."""
    if spans and spans[-1][0] <= one[0] <= spans[-1][1] + 1:
        return [*spans[:-1], (spans[-1][0], max(spans[-1][1], one[1]))]
    return joined([*spans, one])


def holds(spans: Sequence[Span], number: int) -> bool:
    """spans: joined."""
    at = bisect_right(spans, (number, number))
    near = spans[max(0, at - 1) : at + 1]
    return any(first <= number <= last for first, last in near)


def not_in(spans: Sequence[Span], until: int) -> list[Span]:
    """What of 1 to `until` is in none of the spans."""
    gaps, following = list[Span](), 1
    for first, last in joined(spans):
        if first > until:
            break
        if first > following:
            gaps.append((following, first - 1))
        following = max(following, last + 1)
    if following <= until:
        gaps.append((following, until))
    return gaps
