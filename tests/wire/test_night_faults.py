"""Every fault of every instrument's link in the middle of a night: it ends by its name or does no harm, and the bench
is made safe.

What the bench is, and what it was told, comes from the simulators: their world, their panels, their log.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any, get_args

import pytest

from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, EXIT_TRIPPED
from simulators.faults import LINK_KINDS, Kind, LinkFault, LinkFaults
from simulators.world.journal import EventRow
from tests.wire.joined import Joined, night

KINDS: tuple[Kind, ...] = get_args(Kind)
FOR_S = {"late": 3.0, "dribble": 0.2, "refused": 1.0, "frozen": 3.0, "babble": 3.0}  # beyond the links' 2 s

# The message at which it strikes, in the fourth shot or about it.
AT = {
    "generator": ("SOUR1:VOLT?", 5),
    "digitiser": (":WAV:DATA?", 10),
    "supply": ("MEAS:ALL?", 5),
    "thermometer": ("READ?", 3),
}
ENERGISES = ("OUTP1 ON", "OUTP ON", "*TRG")
SAFE_V = 2.0  # as rail down is understood


def fault(role: str, kind: Kind) -> LinkFaults:
    """The link as a whole fails for the generator while it is told to fire, the most delicate moment."""
    begins, number = ("*TRG", 4) if role == "generator" and kind in LINK_KINDS else AT[role]
    return LinkFaults((LinkFault(kind, at_message=number, begins=begins, for_s=FOR_S.get(kind, 0.0)),))


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> Joined:
    joined = night(tmp_path_factory.mktemp("undisturbed") / "night")
    assert joined.exit_code == EXIT_DONE
    return joined


def struck_ns(joined: Joined, kind: Kind) -> int:
    """When it struck, by the simulator's log: a night that met no fault would prove nothing."""
    return next(s.at_ns for s in joined.said if s.message == f"({kind})")


def assert_off(joined: Joined, *roles: str) -> None:
    """Past all links: what the panels are, and the volts and tone in the world."""
    world = joined.bench.world
    if "generator" in roles:
        assert joined.asks("generator", "OUTP1?") == "0"
        assert world.tone_at(joined.end_ns) is None
    if "supply" in roles:
        assert joined.asks("supply", "OUTP?") == "0"
        assert abs(world.supply_means(joined.end_ns - 1_000_000, joined.end_ns).volts) < SAFE_V


def assert_ended_by_name(joined: Joined, role: str, kind: Kind) -> None:
    assert joined.exit_code == EXIT_TRIPPED
    assert joined.run["outcome"] == "tripped"
    (sentence,) = joined.sentences
    assert sentence.startswith(f"{role}: ")
    assert "made safe, confirmed" in joined.told_at_the_end
    assert_off(joined, "generator", "supply")
    at_ns = struck_ns(joined, kind)
    late = [s.message for s in joined.said if s.at_ns > at_ns and s.message in ENERGISES]
    bursts = [b for b in joined.bursts if b.start_ns > at_ns]
    if (role, kind) == ("generator", "frozen"):  # it thaws and does what it had already taken in, until told off
        assert late == ["*TRG"]
        assert [b.cut for b in bursts] == [True]
    else:
        assert late == []
        assert bursts == []


def measured(row: Mapping[str, Any]) -> dict[str, Any]:
    """What was found, without heat sinks, which cool or warm with the time of the night."""
    return {k: v for k, v in row.items() if "heatsink" not in k and k != "traces"}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("role", AT)
def test_a_fault_in_the_middle_of_a_point_ends_the_night_by_its_name(role: str, kind: Kind, tmp_path: Path) -> None:
    """By rule: only the request that failed raises, nothing is repeated, so the night ends; no half point is kept."""
    joined = night(tmp_path / "night", {role: fault(role, kind)})
    assert_ended_by_name(joined, role, kind)
    assert joined.run["points"] == []


# The load switch says nothing while a point is measured. Its link's faults strike at their own time; those of replies
# when it is told to close the load, before anything is energised, or when its coils are asked after the point.


@pytest.mark.parametrize("kind", sorted(set(KINDS) - LINK_KINDS - {"dribble"}))
def test_a_load_whose_closing_is_not_confirmed_ends_the_night_before_anything_is_energised(
    kind: Kind, tmp_path: Path
) -> None:
    trouble = LinkFault(kind, at_message=2, begins="ROUT:CLOS?", for_s=FOR_S.get(kind, 0.0))
    joined = night(tmp_path / "night", {"load_switch": LinkFaults((trouble,))})
    assert_ended_by_name(joined, "load_switch", kind)
    assert joined.bursts == []
    assert "OUTP ON" not in [s.message for s in joined.to("supply")]


@pytest.mark.parametrize("kind", ["dribble", "garbage", "silent"])
def test_coils_that_were_not_told_are_asked_again_and_the_point_stands(
    kind: Kind, tmp_path: Path, undisturbed: Joined
) -> None:
    """Harmless: a reply that went wrong moves no contact, and the coils themselves answer the second time."""
    trouble = LinkFault(kind, at_message=3, begins="ROUT:CLOS?", for_s=FOR_S.get(kind, 0.0))
    joined = night(tmp_path / "night", {"load_switch": LinkFaults((trouble,))})
    assert struck_ns(joined, kind) > joined.bursts[-1].end_ns
    assert_finished_like(joined, undisturbed)


@pytest.mark.parametrize("kind", sorted(LINK_KINDS - {"restart"}))
def test_a_load_switch_whose_link_alone_was_lost_harms_nothing(kind: Kind, tmp_path: Path, undisturbed: Joined) -> None:
    """Harmless: contacts stay as they are. The link is made anew, and the coils are seen to hold."""
    trouble = LinkFault(kind, at_s=8.0, for_s=FOR_S.get(kind, 0.0))
    joined = night(tmp_path / "night", {"load_switch": LinkFaults((trouble,))})
    assert joined.bursts[0].start_ns < struck_ns(joined, kind) < joined.bursts[-1].start_ns
    assert_finished_like(joined, undisturbed)


@pytest.mark.parametrize("where", ["while muted", "in the first burst", "between shots"])
def test_a_load_switch_that_restarted_unseen_is_found_and_nothing_is_said_of_the_unit(
    where: str, tmp_path: Path, undisturbed: Joined
) -> None:
    """All contacts open, 15 ms after the coils: the records are then of no unit."""
    first_s = undisturbed.bursts[0].start_ns * 1e-9
    at_s = {"while muted": 0.5, "in the first burst": first_s - 0.005, "between shots": 8.0}[where]
    joined = night(tmp_path / "night", {"load_switch": LinkFaults((LinkFault("restart", at_s=at_s),))})
    events = [row.text for row in joined.bench.world.journal if isinstance(row, EventRow)]
    assert events == (["load contact opened under signal"] if where == "in the first burst" else [])
    assert joined.exit_code == EXIT_TRIPPED
    assert joined.run["points"] == []
    assert all(s.startswith("load_switch: 201, ") for s in joined.sentences)
    assert joined.run["outcome"] == "tripped"
    assert_off(joined, "generator", "supply")


def assert_finished_like(joined: Joined, undisturbed: Joined) -> None:
    assert joined.exit_code == EXIT_DONE
    assert joined.run["outcome"] == "finished"
    assert joined.sentences == []
    assert [measured(row) for row in joined.run["points"]] == [measured(row) for row in undisturbed.run["points"]]
    assert_off(joined, "generator", "supply")
    assert joined.bench.world.contacts(joined.end_ns) == frozenset()


# The outputs, once everything is off


def test_the_outputs_are_looked_at_only_once_all_is_off(undisturbed: Joined) -> None:
    """By the simulators' log: a capture that no burst triggers falls between "off" and the next "on", and nothing is
    fired while the digitiser may capture by itself."""
    energised, by_itself, looks = {"OUTP1": False, "OUTP": False}, False, 0
    for said in undisturbed.said:
        name, _, state = said.message.partition(" ")
        if name in energised and state in ("ON", "OFF"):
            energised[name] = state == "ON"
        if name == ":TRIG:SWE":
            by_itself = state == "AUTO"
        if name == ":SING" and by_itself:
            looks += 1
            assert not any(energised.values()), said
        assert not (name == "*TRG" and by_itself)
    assert looks == 2  # once the unit is done, and when the night ends
    assert not by_itself


# An instrument that stays away


DEAD = {
    "silent": LinkFault("silent", at_s=8.0, times=None),
    "refused": LinkFault("refused", at_s=8.0, for_s=1e6),
    "frozen": LinkFault("frozen", at_s=8.0, for_s=1e6),
}


STAYS_AWAY = [(role, kind) for role in ("generator", "supply") for kind in DEAD]
STAYS_AWAY += [(role, "silent") for role in ("digitiser", "load_switch", "thermometer")]


@pytest.mark.parametrize(("role", "kind"), STAYS_AWAY)
def test_an_instrument_that_stays_away(role: str, kind: str, tmp_path: Path) -> None:
    """What cannot be confirmed is said by exit 3 and by name; the other of the two that matter is off all the same.

    Digitiser, thermometer and load switch energise nothing: without them supply and generator confirm the bench safe.
    """
    joined = night(tmp_path / "night", {role: LinkFaults((DEAD[kind],))})
    matters = role in ("generator", "supply")
    assert joined.exit_code == (EXIT_NOT_CONFIRMED_SAFE if matters else EXIT_TRIPPED)
    assert joined.run["outcome"] == "tripped"
    (sentence,) = joined.sentences
    assert sentence.startswith(f"{role}: ")
    assert_off(joined, *({"generator", "supply"} - {role}))
    last = joined.told_at_the_end
    assert ("NOT CONFIRMED SAFE" in last) is matters
    assert (f"not confirmed: {role}: " in last) is matters
    assert ("made safe, confirmed; outputs silent: not seen: digitiser: " in last) is (role == "digitiser")


# What was measured before


TWO_POINTS = """
format = 1
name = "two bursts"
[[stage]]
name = "one and eight cycles"
measurement = "output_power"
loads = ["8R"]
frequencies_hz = [1000.0]
drives = ["1 cycle", "8 cycles"]
stop_limit = { thd_pct = 1.0 }
"""


@pytest.fixture(scope="module")
def two_points(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Joined]:
    folder = tmp_path_factory.mktemp("two")
    plan = folder / "two.toml"
    plan.write_text(TWO_POINTS)
    joined = night(folder / "night", plan=str(plan))
    assert [p["cycles"] for p in joined.run["points"]] == [1, 8]
    return plan, joined


@pytest.mark.parametrize(
    ("role", "kind"),
    [
        ("generator", "reset"),
        ("digitiser", "half"),
        ("supply", "restart"),
        ("thermometer", "garbage"),
        ("load_switch", "restart"),
    ],
)
def test_what_was_measured_before_is_kept_to_the_digit(
    role: str, kind: Kind, two_points: tuple[Path, Joined], tmp_path: Path
) -> None:
    """The first point's row and traces are those of the night without a fault, which strikes in the second point."""
    plan, whole = two_points
    last_of_first_ns = max(s.at_ns for s in whole.to("generator") if s.message == "SOUR1:BURS:NCYC 1")
    trouble = LinkFault(kind, at_s=last_of_first_ns * 1e-9 + 4.0)
    joined = night(tmp_path / "night", {role: LinkFaults((trouble,))}, plan=str(plan))
    assert joined.exit_code == EXIT_TRIPPED
    (kept,) = joined.run["points"]
    assert kept == whole.run["points"][0]
    for name in kept["traces"]:
        assert (joined.out / name).read_bytes() == (whole.out / name).read_bytes()
    (sentence,) = joined.sentences
    assert sentence.startswith(f"{role}: ")
    assert_off(joined, "generator", "supply")
