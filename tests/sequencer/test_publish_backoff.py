"""Pauses between attempts. Truth: the closed form min(30, 0.5 · 2ⁿ) s, shortened by up to half."""

from __future__ import annotations

import pytest

from sequencer.publish.backoff import Backoff


@pytest.mark.parametrize(("chance", "part"), [(0.0, 1.0), (0.5, 0.75), (1.0, 0.5)])
def test_doubles_from_half_a_second_to_thirty(chance: float, part: float) -> None:
    backoff = Backoff()
    waits = [backoff.next_s(chance) for _ in range(9)]
    assert waits == [part * w for w in (0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0, 30.0, 30.0)]


def test_begins_anew_after_a_reset() -> None:
    backoff = Backoff()
    for _ in range(5):
        backoff.next_s(0.0)
    backoff.reset()
    assert backoff.next_s(0.0) == 0.5
