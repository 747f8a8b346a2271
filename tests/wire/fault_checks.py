"""What holds of every night with one fault: it struck in the phase meant, the bench ended off by the simulators' own
state and log, by its own name and the rule for its exit, and what was measured before stands to the digit.

Expected values are those of the night without faults, of the simulated world, and the limits in the files of unit and
bench.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from sequencer.errors import EXIT_DONE, EXIT_TRIPPED
from tests.wire.fault_cases import Case
from tests.wire.fault_joules import joules
from tests.wire.fault_matrix import NEXT, SERIAL, Locator, Moment, Run, Slot, night
from tests.wire.fault_struck import assert_struck
from tests.wire.safety_nights import FIRST

SAFE_V = 2.0  # as rail down is understood
CONTACT_S = 0.015  # a contact follows its coil (the simulated switch's own)

# The rules that may name each kind: which is first depends on what is looked at in that phase.
NAMED = {
    "short": {"supply current"},
    "supply lead off": {"supply volts", "output gone"},
    "sensor broken": {"sensor open"},
    "protection latched": {"output gone"},
    "runaway": {"supply current without signal", "supply current"},
}
# Where nothing trips: a protection that lets go once the remote line was off ends its point alone, and the measurement
# of the idle current says itself what it found. Once nothing is driven any more, a dead output shows nowhere.
UNTRIPPED = {"protection latched": ("protection", "gain of channel"), "runaway": ("no drive",)}
UNSEEN = {("short", ("", "cool")), ("protection latched", ("", "cool"))}


@dataclass(frozen=True)
class Sound:
    """The night without faults, with both units and with the first alone, and when its phases are."""

    run: Run
    alone: Run
    moments: Mapping[Slot, Moment]

    def points(self, number: int) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = self.run.ended.runs[number]["points"]
        return found


@cache
def sound_night() -> Sound:
    """Once in each process that runs nights."""
    with TemporaryDirectory() as folder:
        run = night(Path(folder))
        alone = night(Path(folder) / "alone", units=(FIRST,))
    for one in (run, alone):
        assert one.ended.done.exit_code == EXIT_DONE, one.ended.done.text
    return Sound(run, alone, Locator(run).moments())


def named(slot: Slot) -> str:
    return " ".join(part for part in slot if part)


# --- what holds for each


def assert_off(run: Run, case: Case) -> None:
    """By the world and the panels, not by what is told. No contact was told to open under volts."""
    ended = run.ended
    assert ended.is_off, case.name
    world = ended.bench.world
    for at_ns in ended.told_ns("load_switch", "ROUT:OPEN", ended.struck_ns[0] if ended.struck_ns else 0):
        opens_ns = at_ns + round(CONTACT_S * 1e9)
        (message,) = {s.message for s in ended.said if s.front == "load-switch-a" and s.at_ns == at_ns}
        if ":ALL" in message:  # the supply's own contacts too
            assert abs(world.supply_means(opens_ns - 20_000_000, opens_ns).volts) < SAFE_V, case.name
        volts, _ = world.wires(["output A"], opens_ns - 1_000_000, np.array([0.0, 0.0005]))["output A"]
        assert float(np.abs(volts).max()) < SAFE_V, case.name
    if case.kind != "restart":  # which opens contacts by itself
        assert not [text for text in ended.events if text.startswith("load contact opened")], case.name


def assert_kept(run: Run, case: Case, sound: Sound) -> None:
    """Points that were finished before it struck stand as in the night without faults."""
    kept = run.ended.runs[0]["points"][: case.kept]
    assert kept == sound.points(0)[: case.kept], case.name


def assert_allowed(run: Run, case: Case) -> None:
    """By the limits in the files of unit and bench, from the fault to the supply's being off."""
    found = joules(run)
    assert found.is_allowed, (case.name, found)


def watts(points: list[dict[str, Any]]) -> list[tuple[float, float]]:
    """Each channel's power and its expanded uncertainty, W."""
    return [(c["power_w"], c["power_expanded_uncertainty_w"]) for p in points for c in p["channels"]]


def assert_like(points: list[dict[str, Any]], others: list[dict[str, Any]], case: Case) -> None:
    """Measured alike, and equal within both uncertainties: the noise of another time is another one."""
    assert [(p["id"], p["outcome"]) for p in points] == [(p["id"], p["outcome"]) for p in others], case.name
    for (one_w, one_u), (other_w, other_u) in zip(watts(points), watts(others), strict=True):
        assert abs(one_w - other_w) <= float(np.hypot(one_u, other_u)), case.name


def assert_link_fault(run: Run, case: Case, sound: Sound) -> None:
    """The night ends by the instrument's name, or the fault has healed and the results are those without it."""
    ended = run.ended
    assert_off(run, case)
    assert_kept(run, case, sound)
    assert_allowed(run, case)
    assert "made safe, confirmed" in ended.done.text
    if ended.done.exit_code == EXIT_DONE:
        for number, one in enumerate(ended.runs):
            assert (one["outcome"], one["trips"]) == ("finished", [])
            assert_like(one["points"], sound.points(number), case)
        return
    assert ended.done.exit_code == EXIT_TRIPPED, ended.done.text
    one = ended.runs[-1]
    (trip,) = one["trips"]
    assert one["outcome"] == "tripped"
    if len(ended.runs) > 1:  # seen only once the next unit is there: whoever it is says nothing in that phase
        assert (case.slot[1], ended.runs[0]["outcome"]) == ("cool", "finished")
    assert trip["sentence"].startswith(f"{case.role}: "), trip["sentence"]
    assert trip["confirmed_safe"]
    if len(ended.runs) == 1:
        assert_nothing_after_off(run, case)


def assert_nothing_after_off(run: Run, case: Case) -> None:
    """Once the generator was told off nothing is fired, and once the supply was it stays off."""
    ended, struck_ns = run.ended, run.ended.struck_ns[0]
    silent_ns = ended.told_ns("generator", "OUTP1 OFF", struck_ns)[0]
    off_ns = ended.told_ns("supply", "OUTP OFF", struck_ns)[0]
    assert [burst for burst in ended.bursts if burst.start_ns > silent_ns] == [], case.name
    assert ended.told_ns("supply", "OUTP ON", off_ns) == [], case.name


def assert_tripped(one: dict[str, Any], case: Case) -> None:
    (trip,) = one["trips"]
    assert (one["outcome"], trip["cause"]) == ("tripped", "unit")
    assert trip["rule"] in NAMED[case.kind], trip["sentence"]
    assert trip["confirmed_safe"]
    assert one["points"][-1]["outcome"] == "tripped"


def assert_told(one: dict[str, Any], case: Case) -> None:
    """By the reason of a point that was not measured, or by a finding."""
    told = [p["reason"] for p in one["points"] if p["outcome"] == "not_measured"]
    told += [finding["kind"] for finding in one["findings"]]
    if (case.kind, case.slot) in UNSEEN:
        assert told == []
    else:
        assert any(words in line for words in UNTRIPPED[case.kind] for line in told), told


def assert_unit_fault(run: Run, case: Case, sound: Sound) -> None:
    """It ends the unit by a rule that names it, or is told; the sound unit in the next bay is measured as ever."""
    ended = run.ended
    assert_off(run, case)
    assert_kept(run, case, sound)
    assert_allowed(run, case)
    assert not ended.contacts
    first, second = ended.runs
    assert [one["unit"]["serial"] for one in ended.runs] == [SERIAL, NEXT]
    if first["trips"]:
        assert ended.done.exit_code == EXIT_TRIPPED, ended.done.text
        assert_tripped(first, case)
    else:
        assert (ended.done.exit_code, first["outcome"]) == (EXIT_DONE, "finished")
        assert_told(first, case)
    assert (second["outcome"], second["trips"]) == ("finished", [])
    assert_like(second["points"], sound.points(1), case)


# --- all of it


def assert_holds(case: Case) -> None:
    sound = sound_night()
    with TemporaryDirectory() as folder:
        run = case.run(Path(folder), sound.moments)
    like = sound.run if len(case.units) > 1 else sound.alone
    assert_struck(run, case, like, sound.moments[case.slot])
    (assert_unit_fault if case.role == "unit" else assert_link_fault)(run, case, sound)
