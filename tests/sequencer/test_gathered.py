"""A consumer's book-keeping. Truth: Python's own sets and sorting, which share no code with spans."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from sequencer.publish.gathered import Gathered
from sequencer.publish.spans import added, holds, joined, not_in

NUMBERS = st.integers(1, 40)
SPANS = st.lists(st.tuples(NUMBERS, st.integers(0, 5)).map(lambda pair: (pair[0], pair[0] + pair[1])))


def numbers(spans: list[tuple[int, int]]) -> set[int]:
    return {number for first, last in spans for number in range(first, last + 1)}


@given(SPANS, st.tuples(NUMBERS, st.integers(0, 5)), st.integers(0, 50))
def test_spans_are_sets_of_numbers(spans: list[tuple[int, int]], more: tuple[int, int], until: int) -> None:
    one = (more[0], more[0] + more[1])
    made = joined(spans)
    assert numbers(made) == numbers(spans)
    assert all(last + 1 < first for (_, last), (first, _) in pairwise(made))  # as few as can be
    assert added(made, one) == joined([*spans, one])
    assert {n for n in range(60) if holds(made, n)} == numbers(spans)
    assert numbers(not_in(spans, until)) == set(range(1, until + 1)) - numbers(spans)


@given(st.lists(st.integers(1, 30), max_size=80), st.integers(0, 35))
def test_whatever_the_order_each_is_shown_once_and_in_order(arrivals: list[int], told_to: int) -> None:
    """Those up to the first gap at once; the rest when what is missing is given up."""
    one, shown = Gathered(), list[int]()
    one.heard_of(told_to)
    for seq in arrivals:
        shown += [int(body["seq"]) for body in one.take({"id": f"r-{seq}", "seq": seq})]
    have, known = set(arrivals), max([told_to, *arrivals])
    gap = next(n for n in range(1, known + 2) if n not in have)
    assert shown == list(range(1, gap))
    assert numbers(one.missing()) == set(range(1, known + 1)) - have
    assert (one.count(), one.repeated) == (len(have), len(arrivals) - len(have))
    assert one.lost() == known - len(have)
    shown += [int(body["seq"]) for body in one.give_up(one.missing())]
    assert shown == sorted(have)
    assert one.missing() == []
    assert one.rest() == []


def test_what_was_given_up_and_comes_after_all_is_shown_and_counted() -> None:
    one = Gathered()
    one.take({"id": "r-2", "seq": 2})
    one.give_up([(1, 1)])
    late = {"id": "r-1", "seq": 1}
    assert one.take(late) == [late]
    assert (one.count(), one.lost(), one.repeated) == (2, 0, 0)
