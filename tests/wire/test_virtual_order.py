"""Virtual time gives one order of events, whatever the threads, the scheduler and the hash seed do.

The expected value is not a stored hash but agreement: of fresh noisy processes with each other, and with a quiet
run.
"""

from __future__ import annotations

import pytest

from sequencer.clock import run_virtual
from tests.wire.adversary import hashes, main
from tests.wire.fresh_processes import outcomes


@pytest.mark.process
def test_ten_noisy_processes_and_a_quiet_run_agree() -> None:
    quiet = hashes(run_virtual(main))
    assert outcomes(10) == [quiet] * 10


def test_the_script_meets_every_fault_it_declares() -> None:
    """Else agreement would prove little: its log must hold time-outs, a broken connection, a garbled reply."""
    replies, journal = run_virtual(main)
    seen = {str(row[-1]) for row in replies}
    assert {"LinkTimeout", "LinkClosed", "GarbledReply"} <= seen
    assert {"(late)", "(silent)", "(half)", "(reset)", "(surplus)"} <= {str(row[2]) for row in journal}


def test_many_events_share_their_instant() -> None:
    """Else there would be no order to get wrong: at least three instruments act in one and the same nanosecond."""
    _, journal = run_virtual(main)
    at: dict[object, set[object]] = {}
    for row in journal:
        at.setdefault(row[0], set()).add(row[1])
    assert max(len(names) for names in at.values()) >= 3


def test_ties_drawn_from_a_seed_are_reproducible_and_differ_between_seeds() -> None:
    runs = [hashes(run_virtual(main, ties_seed=seed)) for seed in (1, 2, 3)]
    assert runs == [hashes(run_virtual(main, ties_seed=seed)) for seed in (1, 2, 3)]
    assert len(set(runs)) == 3
