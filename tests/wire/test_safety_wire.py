"""Where a unit trips and where it does not, and a person's stop, over real sockets: the plan says what is next after a
trip; sound units and protections that come back run through; Ctrl-C ends a long burst in the normal order. By the
simulators' own log and world.
"""

from __future__ import annotations

import os
import signal
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import EXIT_DONE, EXIT_STOPPED, EXIT_TRIPPED
from simulators.bench import SimulatedBench
from simulators.world.truth_files import all_shipped_units
from simulators.world.unit_truth import ProtectionTruth, UnitTruth
from tests.wire.safety_nights import FIRST, SECOND, Case, Ended, Mishap, night
from tests.wire.unit_nights import healthy

FIVE = ("mv_0131", "mv_0132", "mv_0133", "mv_0135", "mv_0137")
HEAD = 'format = 1\nname = "short"\nrest = "quick"\n'
SOAK = """
[[stage]]
name = "soak"
measurement = "soak"
loads = ["8R"]
options = { minutes = 2.0, power_parts = [0.125] }
"""
FIRST_POWER = """
[[stage]]
name = "first power"
measurement = "first_power"
"""
WHOLE = f"""{HEAD}{FIRST_POWER}
[[stage]]
name = "offset, cold"
measurement = "output_offset"
wait = "cold"

[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R"]
drives = ["20 cycles"]
{SOAK}
[[stage]]
name = "idle current, after drive"
measurement = "idle_current"
wait = "after drive"
"""
BURSTS = (
    HEAD
    + """
[[stage]]
name = "bursts"
measurement = "output_power"
loads = ["8R", "4R"]
drives = ["20 cycles"]
after_trip = "AFTER"
"""
)
HOT_C = 22.3  # the room has 21.5 degC, by the unit's truth
LIMITS = "stop_c = 75.0\ntrip_c = 85.0"


def serial(name: str) -> str:
    return name.replace("mv_", "MV-")


def sound() -> UnitTruth:
    return all_shipped_units()[serial(FIRST)]


# --- what is next after a trip


def hot(folder: Path, after: str) -> Ended:
    """Idle heat alone passes the first unit's trip limit within its first search."""
    own = {FIRST: {LIMITS: f"stop_c = {HOT_C - 0.001:.3f}\ntrip_c = {HOT_C}"}}
    return night(folder / "night", BURSTS.replace("AFTER", after), Case(own=own))


def watts(run: dict[str, Any]) -> list[float]:
    return [c["power_w"] for p in run["points"] for c in p["channels"]]


def test_a_heat_sink_beyond_its_trip_limit_and_the_next_unit(tmp_path: Path) -> None:
    """Exit 1: a trip; the point stands as tripped, and why. The next unit is what it is without the first."""
    found = hot(tmp_path / "two", "next unit")
    assert found.done.exit_code == EXIT_TRIPPED
    first, second = found.runs
    assert (first["outcome"], second["outcome"]) == ("tripped", "finished")
    (trip,) = first["trips"]
    assert (trip["rule"], trip["cause"], trip["limit"]) == ("heat sink", "unit", HOT_C)
    assert trip["value"] >= HOT_C
    last = first["points"][-1]
    assert (last["id"], last["outcome"], last["reason"]) == (trip["point"], "tripped", trip["sentence"])
    assert found.is_off
    assert not found.contacts
    alone = night(tmp_path / "one", BURSTS.replace("AFTER", "next unit"), units=(SECOND,))
    assert alone.done.exit_code == EXIT_DONE
    assert watts(second) == pytest.approx(watts(alone.runs[0]), rel=0.01)  # noise differs, the unit does not


def test_a_plan_that_stops_after_a_trip(tmp_path: Path) -> None:
    found = hot(tmp_path, "stop")
    assert found.done.exit_code == EXIT_TRIPPED
    assert [run["unit"]["serial"] for run in found.runs] == [serial(FIRST)]
    assert found.is_off
    assert not found.contacts


def test_a_plan_that_tries_once_more(tmp_path: Path) -> None:
    """The same limit again: two trips are told, then the unit is left."""
    found = hot(tmp_path, "cool and retry once")
    assert found.done.exit_code == EXIT_TRIPPED
    first, second = found.runs
    assert len(first["trips"]) == 2
    assert (first["outcome"], second["outcome"]) == ("tripped", "finished")
    assert found.is_off
    assert not found.contacts


@pytest.mark.parametrize("plan", [HEAD + SOAK, BURSTS.replace("AFTER", "next unit")], ids=["values", "a search"])
def test_a_heat_sink_too_hot_before_the_first_burst_is_told_with_its_point(plan: str, tmp_path: Path) -> None:
    """The trip limit lies below the room's 21.5 degC: whatever reads it first, the point stands as tripped."""
    own = {FIRST: {LIMITS: "stop_c = 20.0\ntrip_c = 21.0"}}
    found = night(tmp_path / "night", plan, Case(own=own))
    first, second = found.runs
    (trip,) = first["trips"]
    assert (trip["rule"], trip["limit"], trip["quantity"]) == ("heat sink", 21.0, "heat sink, degC")
    assert trip["value"] > 21.0
    (point,) = first["points"]
    assert (point["id"], point["outcome"], point["reason"]) == (trip["point"], "tripped", trip["sentence"])
    assert found.bursts_of(serial(FIRST)) == []
    assert (first["outcome"], second["outcome"]) == ("tripped", "finished")


# --- no trip


def test_five_sound_units_and_no_trip(tmp_path: Path) -> None:
    """Drawn: gain within 0.5 dB, idle current 25 %, offset of 7 mV standard deviation, K/W 15 % (our own spread of
    sound units)."""
    drawn = {serial(name): replace(healthy(seed)[0], serial=serial(name)) for seed, name in enumerate(FIVE, start=21)}
    found = night(tmp_path / "night", WHOLE, Case(truths=drawn), FIVE)
    assert found.done.exit_code == EXIT_DONE, found.done.text
    assert [trip["sentence"] for run in found.runs for trip in run["trips"]] == []
    assert [run["outcome"] for run in found.runs] == ["finished"] * len(FIVE)
    assert {point["outcome"] for run in found.runs for point in run["points"]} == {"measured"}
    assert found.is_off
    assert not found.contacts


def test_other_volts_after_first_power_are_no_trip(tmp_path: Path) -> None:
    """First power sets the nominal 24 V; 21.6 V, 10 % lower, is what the next point asks for."""
    soak = SOAK.replace('loads = ["8R"]', 'loads = ["8R"]\nsupply_v = [21.6]')
    found = night(tmp_path / "night", HEAD + FIRST_POWER + soak, units=(FIRST,))
    assert [trip["sentence"] for trip in found.runs[0]["trips"]] == []
    assert found.done.exit_code == EXIT_DONE


# --- protections


def power(load: str, drive: str, frequency_hz: float = 1000.0) -> str:
    return (
        f'{HEAD}[[stage]]\nname = "bursts"\nmeasurement = "output_power"\nloads = ["{load}"]\n'
        f'frequencies_hz = [{frequency_hz}]\ndrives = ["{drive}"]\n'
    )


def protected(serial_of: str, **changed: float) -> UnitTruth:
    """A sound unit with a shipped one's protection, changed."""
    protection = all_shipped_units()[serial_of].protection
    assert protection is not None
    return replace(sound(), protection=replace(protection, **changed))


RETURNING = {
    "MV-0134, 20 cycles": (protected("MV-0134"), power("4R", "20 cycles")),
    "MV-0134, 0.6 s of tone": (protected("MV-0134"), power("4R", "20 cycles", 31.5)),
    # MV-0136's line outputs never reach its 16 A on this bench, so that alone is lowered.
    "MV-0136, 20 cycles": (protected("MV-0136", over_a=4.5), power("4R", "20 cycles")),
    "MV-0136, gone at once": (protected("MV-0136", over_a=2.5, delay_s=0.0001), power("8R", "50 cycles")),
}


@pytest.mark.parametrize("name", RETURNING)
def test_a_protection_slower_than_the_rest_between_shots_is_no_trip(name: str, tmp_path: Path) -> None:
    """It returns after 1.5 and 2 s; the least rest is 1 s. It cut in once, by the world, and is told as what ended the
    search."""
    truth, plan = RETURNING[name]
    assert truth.protection is not None
    assert truth.protection.returns_after_s in (1.5, 2.0)
    found = night(tmp_path / "night", plan, Case(truths={serial(FIRST): truth}), (FIRST,))
    assert found.events == ["protection cut in: current"]
    (run,) = found.runs
    assert [trip["sentence"] for trip in run["trips"]] == []
    assert (found.done.exit_code, run["outcome"]) == (EXIT_DONE, "finished")
    assert [point["stopped_by"] for point in run["points"]] == ["protection"]


def test_a_protection_that_never_comes_back_trips_by_name(tmp_path: Path) -> None:
    """It holds until supply or remote line are off, and this unit has no remote line. A first burst cut short is
    what the search names; that the outputs stay away is a trip."""
    truth = replace(sound(), protection=ProtectionTruth(over_a=2.0, delay_s=0.003))
    own = {FIRST: {"remote_line = true": "remote_line = false"}}
    found = night(tmp_path / "night", power("8R", "20 cycles"), Case({serial(FIRST): truth}, own), (FIRST,))
    assert found.done.exit_code == EXIT_TRIPPED
    (run,) = found.runs
    (trip,), (point,) = run["trips"], run["points"]
    assert (run["outcome"], trip["rule"], trip["point"]) == ("tripped", "output gone", point["id"])
    assert point["stopped_by"] == "protection"
    assert found.is_off
    assert not found.contacts


# --- a person's stop


def ctrl_c(bench: SimulatedBench, now_ns: int) -> None:
    os.kill(os.getpid(), signal.SIGINT)


def test_ctrl_c_in_the_middle_of_a_soak_burst(tmp_path: Path) -> None:
    """The eighth trigger begins a burst of 10 s. Normal order: signal off, silence, remote line off, supply off, the
    rail down, contacts open; exit 4. The remote line goes before the supply: its contact is 205 by the bench's file."""
    case = Case(mishaps=(Mishap("generator", "*TRG", 8, ctrl_c),))
    found = night(tmp_path / "night", HEAD + SOAK, case)
    assert found.done.exit_code == EXIT_STOPPED, found.done.text
    (run,) = found.runs
    assert (run["outcome"], run["trips"]) == ("stopped", [])
    (struck_ns,) = found.struck_ns
    burst = found.bursts[-1]
    assert burst.start_ns <= struck_ns < burst.end_ns
    assert burst.cut
    told = {
        "signal": found.told_ns("generator", "OUTP1 OFF", struck_ns)[0],
        "remote": found.told_ns("load_switch", "ROUT:OPEN (@205)", struck_ns)[0],
        "supply": found.told_ns("supply", "OUTP OFF", struck_ns)[0],
        "contacts": found.told_ns("load_switch", "ROUT:OPEN:ALL", struck_ns)[0],
    }
    assert sorted(told, key=lambda act: told[act]) == ["signal", "remote", "supply", "contacts"]
    assert burst.end_ns == told["signal"]
    assert abs(found.bench.world.supply_means(told["contacts"] - 20_000_000, told["contacts"]).volts) < 2.0
    assert found.is_off
    assert not found.contacts
    assert found.events == []
