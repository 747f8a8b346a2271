"""Nights in real time, killed (-9) three times each at random moments and gone on with: the ledger stays sound, every
point is there once, the bench is off in between, and the watts are those of a night that nobody disturbed. Every
other chain is a daemon's.

NIGHTRAMP_KILLS: how many kills in all (6; by hand 60), NIGHTRAMP_CHAINS: how many chains run at a time (2).
"""

from __future__ import annotations

import json
import os
import signal
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from sequencer.compose import DryRun, dry_run
from sequencer.errors import EXIT_DONE
from sequencer.ledger.store import Ledger
from tests.processes.resumed_chain import PLAN, UNIT, Chain, killed_chain

pytestmark = pytest.mark.process

KILLS = int(os.environ.get("NIGHTRAMP_KILLS", "6"))
AT_A_TIME = int(os.environ.get("NIGHTRAMP_CHAINS", "2"))
IN_A_CHAIN = 3


@pytest.fixture(scope="module")
def chains(tmp_path_factory: pytest.TempPathFactory) -> list[Chain]:
    root, count = tmp_path_factory.mktemp("chains"), (KILLS + IN_A_CHAIN - 1) // IN_A_CHAIN
    with ThreadPoolExecutor(AT_A_TIME) as side_by_side:
        waited = [
            side_by_side.submit(killed_chain, root / str(n), IN_A_CHAIN, 100 + n, bool(n % 2)) for n in range(count)
        ]
        return [one.result() for one in waited]


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """The same simulated bench and unit (by the same seed), in simulated time."""
    folder = tmp_path_factory.mktemp("undisturbed")
    (folder / "plan.toml").write_text(PLAN)
    asked = DryRun(plan=str(folder / "plan.toml"), units=(UNIT,), bench="workshop", out=folder / "night")
    assert dry_run(asked, lambda line: None).exit_code == EXIT_DONE
    (run,) = json.loads((folder / "night" / "results.json").read_text())["runs"]
    rows: list[dict[str, Any]] = run["points"]
    return rows


def test_every_point_once_none_lost_and_the_bench_off_in_between(
    chains: list[Chain], undisturbed: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    for chain in chains:
        killed, last = chain.codes[:-1], chain.codes[-1]
        assert set(killed) == {-signal.SIGKILL}, chain.at
        assert last == EXIT_DONE, chain.text
        assert chain.wrong == []
        (run,) = chain.runs
        assert run["outcome"] == "finished"
        assert [row["id"] for row in run["points"]] == [row["id"] for row in undisturbed]
        with Ledger(chain.out / "ledger.sqlite", read_only=True) as ledger:
            assert ledger.integrity() == []
            told = [json.loads(one.payload) for one in ledger.outbox()]
        assert [one["seq"] for one in told] == list(range(1, len(told) + 1))
        points = [one["point"]["id"] for one in told if one["schema_name"] == "nightramp.point"]
        assert points == [row["id"] for row in undisturbed]
    with capsys.disabled():
        print(f"\n{sum(len(chain.codes) - 1 for chain in chains)} kills in {len(chains)} chains:")
        for chain in chains:
            print("  " + "; ".join(chain.at))


def test_the_watts_are_those_of_an_undisturbed_night(
    chains: list[Chain], undisturbed: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
) -> None:
    """Within the expanded uncertainty of the difference (JCGM 100, 5.1.2)."""
    shares = []
    for chain in chains:
        for row, same in zip(chain.runs[0]["points"], undisturbed, strict=True):
            assert row["outcome"] == same["outcome"]
            for one, other in zip(row["channels"], same["channels"], strict=True):
                both = (one["power_expanded_uncertainty_w"] ** 2 + other["power_expanded_uncertainty_w"] ** 2) ** 0.5
                shares.append(abs(one["power_w"] - other["power_w"]) / both)
    assert len(shares) == len(chains) * 2 * 2  # points of power, channels
    assert max(shares) <= 1.0
    with capsys.disabled():
        print(f"\nwatts apart by at most {max(shares):.2f} of the uncertainty of their difference")


def test_rows_of_a_night_that_was_resumed_say_so(chains: list[Chain]) -> None:
    """From the first point that was not complete on, every number was measured by another process than the one that
    began the run. Who goes on tells what the guardian did."""
    for chain in chains:
        (run,) = chain.runs
        at = [one["at_point"] for one in run["resumed"]]
        ids = [row["id"] for row in run["points"]]
        first = ids.index(at[0]) if at and at[0] else len(ids)
        assert [row["resumed"] for row in run["points"]] == [number >= first for number in range(len(ids))]
        if chain.was_on:
            assert "the guardian acted since the last start" in chain.text
            assert run["resumed"][-1]["guardian"]
