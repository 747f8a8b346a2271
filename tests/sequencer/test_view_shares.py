"""Where the real time of a rehearsal went: the line at its end, and the threads that count their own."""

from __future__ import annotations

import time

from sequencer.night.book import OneThread
from sequencer.view.words import shares


def test_shares_are_hundredths_of_the_wall() -> None:
    """30 + 10 + 4 of 50 s: 60, 20, 8 %, and the rest, 12 %, for the messages on their way."""
    told = shares({"simulated bench": 30.0, "analysis": 10.0, "ledger": 4.0}, 50.0)
    assert told == "of it bus and clock 12 %, simulated bench 60 %, analysis 20 %, ledger 8 %"


def test_a_thread_counts_its_work_and_nothing_else() -> None:
    """Between what the calls took by their own clock and what their callers waited, failures included."""
    spent, waited = [], []

    def work(fail: bool) -> None:
        begun_s = time.perf_counter()
        sum(range(200_000))
        spent.append(time.perf_counter() - begun_s)
        if fail:
            raise ValueError("as asked")

    thread = OneThread("counted")
    for fail in (False, True):
        begun_s = time.perf_counter()
        error = thread.submit(work, fail).exception()
        waited.append(time.perf_counter() - begun_s)
        assert (error is not None) == fail
        sum(range(2_000_000))  # idle time of the thread: not its own
    thread.shutdown(wait=True)
    assert sum(spent) <= thread.worked_s <= sum(waited)
