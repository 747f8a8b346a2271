"""Two instruments that stop answering for good while a unit is driven, every pair: what is left acts, and what cannot
be confirmed is said by name.

Expected values are the simulators' own state and log; exit 3 wherever generator or supply is among the dead.
"""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import pytest

from sequencer.errors import EXIT_NOT_CONFIRMED_SAFE, EXIT_TRIPPED
from simulators.faults import LinkFault, LinkFaults
from tests.wire.fault_matrix import ROLES, Locator, Run, night

pytestmark = pytest.mark.long

FOR_EVER_S = 1e6
DEAD = {
    "silent": lambda at_s: LinkFault("silent", at_s=at_s, times=None),
    "refused": lambda at_s: LinkFault("refused", at_s=at_s, for_s=FOR_EVER_S),
}
MATTER = ("generator", "supply")  # those that energise: without their word nothing is confirmed
OFF = {"generator": "OUTP1 OFF", "supply": "OUTP OFF"}


@pytest.fixture(scope="module")
def driven_s(tmp_path_factory: pytest.TempPathFactory) -> float:
    """Half a millisecond into the steady tone of highest level, bench time."""
    run = night(tmp_path_factory.mktemp("sound"))
    return Locator(run).moments()["steady", "fire"].at_s


def after_ns(run: Run) -> int:
    """A minute after the night: bleeds and bursts are over."""
    return run.end_ns + 60 * 10**9


def is_silent(run: Run) -> bool:
    """By the world: a counted burst ends by itself, and none comes after it."""
    return run.ended.bench.world.tone_at(after_ns(run)) is None


def is_unpowered(run: Run) -> bool:
    at_ns = after_ns(run)
    return abs(run.ended.bench.world.supply_means(at_ns - 10**9, at_ns).volts) < 2.0


def shows_off(run: Run, role: str, question: str) -> bool:
    """What the panel itself answers, past all links."""
    return run.ended.bench.panels[role].execute(question, after_ns(run)) == b"0\n"


@pytest.mark.parametrize("kind", DEAD)
@pytest.mark.parametrize("pair", list(combinations(ROLES, 2)), ids=" and ".join)
def test_a_pair_that_stays_away(pair: tuple[str, str], kind: str, driven_s: float, tmp_path: Path) -> None:
    run = night(tmp_path, {role: LinkFaults((DEAD[kind](driven_s),)) for role in pair})
    ended = run.ended
    (one,) = ended.runs
    assert one["outcome"] == "tripped"
    assert [point["outcome"] for point in one["points"]] == ["measured"]  # the one finished before
    (trip,) = one["trips"]
    assert trip["sentence"].startswith(tuple(f"{role}: " for role in pair))

    dead = [role for role in MATTER if role in pair]
    text = ended.done.text
    assert ended.done.exit_code == (EXIT_NOT_CONFIRMED_SAFE if dead else EXIT_TRIPPED), text
    assert ("NOT CONFIRMED SAFE" in text) is bool(dead)
    assert ("made safe, confirmed" in text) is (not dead)
    assert trip["confirmed_safe"] is (not dead)
    for role in MATTER:
        assert (f"not confirmed: {role}: " in text) is (role in pair)

    struck_ns = min(ended.struck_ns)
    for role in MATTER:  # whoever still takes commands was told, one that is only silent too
        told = ended.told_ns(role, OFF[role], struck_ns)
        assert bool(told) is (role not in pair or kind == "silent"), role
    assert is_silent(run)
    if "supply" not in pair or kind == "silent":
        assert is_unpowered(run)
        assert shows_off(run, "supply", "OUTP?")
    if "generator" not in pair or kind == "silent":
        assert shows_off(run, "generator", "OUTP1?")
    assert ended.told_ns("load_switch", "ROUT:OPEN", struck_ns) == []  # a load bleeds the rail: it stays
    assert [text for text in ended.events if text.startswith("load contact")] == []
    assert [burst for burst in ended.bursts if burst.start_ns > struck_ns] == []
