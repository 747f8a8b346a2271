"""Interlock and cut-off in whole nights on the line bench, over real sockets: an open contact, a relay that drops or
never does, a watch that stands still. The truth is the simulated world's.

0.75 s from an open contact to "off": the 0.5 s between two turns of the watch of a bench with a cut-off, and the looks
and requests in flight (our own judgement).
"""

from __future__ import annotations

import asyncio
import math
from pathlib import Path
from unittest import mock

import numpy as np
import pytest

from sequencer.compose import DryRun, Rig, dry_run
from sequencer.errors import EXIT_DONE, EXIT_NOT_CONFIRMED_SAFE, EXIT_TRIPPED
from sequencer.faults_file import DeclaredBarrierFault
from sequencer.night.watch import Watch
from sequencer.report.how_sections import how
from sequencer.safety.remedies import BENCH, REMEDIES
from simulators.bench import SimulatedBench
from simulators.faults import LinkFault, LinkFaults
from simulators.world.truth_files import all_shipped_units
from tests.wire.safety_nights import Act, Case, Ended, Mishap, night

UNIT = "ferry_pa_line_120"
HOLD_S, MOVES_S = 2.0, 0.015  # the bench's file; the relay's programming page
OFF_WITHIN_S = 0.75
CONTACTS = {"emergency stop": "401", "load thermostat": "402", "cover": "403"}  # the bench's file
HEAD = 'format = 1\nname = "short"\nrest = "quick"\n[[stage]]\nname = "one"\n'
IDLE = HEAD + 'measurement = "idle_current"\n'
STEADY = HEAD + 'measurement = "output_power"\nloads = ["83R"]\ndrives = ["steady 1 s"]\n'
# When: plan, instrument, message, which of them.
PHASES = {
    "before power": (IDLE, "load_switch", "ROUT:CLOS (", 1),
    "idle": (IDLE, "supply", "MEAS:ALL?", 12),
    "driven": (STEADY, "generator", "*TRG", 9),
    "at rest": (STEADY, "supply", "STAT:QUES?", 9),  # asked after each shot
}
OPENED = [(name, phase) for name in CONTACTS for phase in ("idle", "driven", "at rest")]
OPENED += [("emergency stop", "before power")]
TRUTH = all_shipped_units()["MV-0136"]


def opened(name: str) -> Act:
    return lambda bench, now_ns: bench.world.guards.open(CONTACTS[name], now_ns)


def struck(folder: Path, phase: str, act: Act) -> Ended:
    plan, role, begins, number = PHASES[phase]
    ended = night(folder, plan, Case(mishaps=(Mishap(role, begins, number, act),)), (UNIT,), "line_workshop")
    assert ended.struck_ns, "it never happened"
    return ended


def assert_ends_safe(ended: Ended, rule: str, sentence: str) -> None:
    (one,) = ended.runs
    (trip,) = one["trips"]
    assert ended.done.exit_code == EXIT_TRIPPED, ended.done.text
    assert (one["outcome"], trip["rule"], trip["cause"]) == ("tripped", rule, "bench")
    assert trip["sentence"] == sentence
    assert trip["confirmed_safe"]
    assert "made safe, confirmed; cut-off released: confirmed" in ended.done.text
    assert f"next: {REMEDIES[rule]}" in ended.done.text
    assert ended.told_ns("load_switch", "ROUT:OPEN", ended.struck_ns[0] + 1) == []  # the load bleeds the unit
    assert_off(ended)


def assert_off(ended: Ended) -> None:
    """By the world: no volts, no signal, the relay out."""
    assert ended.is_off
    assert not ended.bench.world.guards.relay_is_in(10**15)


def assert_parted(bench: SimulatedBench, at_ns: int) -> None:
    """From then on nothing is drawn from the supply; the unit's reservoir falls through its bleeder: V exp(-t/tau)."""
    before_v = rail_v(bench, at_ns - 5_000_000)
    assert before_v > 20.0
    assert bench.world.supply_means(at_ns, at_ns + 500_000_000).amps == 0.0
    fallen_v = before_v * math.exp(-1.0 / TRUTH.feed.bleed_tau_s)
    assert rail_v(bench, at_ns + 10**9) == pytest.approx(fallen_v, rel=0.02)


def rail_v(bench: SimulatedBench, at_ns: int) -> float:
    """At the unit's own terminals, whatever the supply shows."""
    volts, _ = bench.world.wires(["rail"], at_ns, np.array([0.0, 0.001]))["rail"]
    return float(np.abs(volts).max())


@pytest.mark.parametrize(("name", "phase"), OPENED, ids=[", ".join(one) for one in OPENED])
def test_an_open_contact_ends_the_night_by_its_name(name: str, phase: str, tmp_path: Path) -> None:
    ended = struck(tmp_path, phase, opened(name))
    assert_ends_safe(ended, "interlock open", f"interlock: {name} open")
    (open_ns,) = ended.struck_ns
    assert ended.told_ns("generator", "*TRG", open_ns + 1) == []
    if phase == "before power":
        assert ended.told_ns("supply", "OUTP ON") == []
        return
    for role, off in (("supply", "OUTP OFF"), ("generator", "OUTP1 OFF"), ("cut_off", "REL:STAT OFF")):
        assert (ended.told_ns(role, off, open_ns)[0] - open_ns) * 1e-9 < OFF_WITHIN_S, role
    assert ended.bursts[-1].cut is (phase == "driven") if ended.bursts else phase == "idle"


def test_a_contact_of_which_nothing_is_known_ends_it_too(tmp_path: Path) -> None:
    ended = struck(tmp_path, "idle", lambda bench, now_ns: bench.panels["interlock"].doubtful.add("402"))  # type: ignore[attr-defined]
    (trip,) = ended.runs[0]["trips"]
    assert (trip["rule"], trip["confirmed_safe"]) == ("no number", True)
    assert trip["sentence"].startswith("interlock: input 402: ")
    assert_off(ended)


@pytest.mark.parametrize("phase", ["idle", "driven"])
def test_a_relay_that_drops_by_itself_ends_it(phase: str, tmp_path: Path) -> None:
    """As after a dip of its own mains."""
    ended = struck(tmp_path, phase, lambda bench, now_ns: bench.panels["cut_off"].restart(now_ns))
    assert_ends_safe(ended, "cut-off dropped", "cut_off: it reads dropped although it was fed")
    assert_parted(ended.bench, ended.struck_ns[0] + round(MOVES_S * 1e9))


@pytest.mark.parametrize("phase", ["idle", "driven"])
def test_a_watch_that_stands_still_lets_the_relay_drop(phase: str, tmp_path: Path) -> None:
    """Nobody else feeds it: its own clock takes the unit's volts away, although the supply goes on giving them."""
    stuck: list[int] = []
    waits = Watch._until_ns

    async def until_ns(watch: Watch, when_ns: int) -> None:
        await (asyncio.Event().wait() if stuck else waits(watch, when_ns))

    with mock.patch.object(Watch, "_until_ns", until_ns):
        ended = struck(tmp_path, phase, lambda bench, now_ns: stuck.append(now_ns))
    last_ns = max(at_ns for at_ns in ended.told_ns("cut_off", "REL:FEED"))
    drops_ns = last_ns + round((HOLD_S + MOVES_S) * 1e9)
    assert (last_ns - ended.struck_ns[0]) * 1e-9 < OFF_WITHIN_S
    assert "cut-off dropped under volts" in ended.events
    assert_parted(ended.bench, drops_ns)
    assert ended.bench.world.supply_means(drops_ns, drops_ns + 1_000_000).volts > 20.0
    assert_off(ended)


@pytest.mark.parametrize("role", ["interlock", "cut_off"])
def test_one_that_falls_silent_ends_the_night_and_the_bench_is_safe(role: str, tmp_path: Path) -> None:
    """A relay that nobody can release drops by its own clock; the rail is what counts."""
    faults = {role: LinkFaults((LinkFault("silent", at_s=8.0, times=None),))}
    ended = night(tmp_path, IDLE, Case(faults=faults), (UNIT,), "line_workshop")
    (trip,) = ended.runs[0]["trips"]
    assert ended.done.exit_code == EXIT_TRIPPED, ended.done.text
    assert trip["sentence"].startswith(f"{role}: ")
    assert trip["confirmed_safe"]
    assert f"cut-off released: {'not ' if role == 'cut_off' else ''}confirmed" in ended.done.text
    assert_off(ended)


def test_contacts_open_only_once_the_unit_itself_is_down(tmp_path: Path) -> None:
    """The unit's own trip opens its bay; the released relay hides its reservoir from the supply's meter. Below 2 V: a
    contact opened under DC welds (common practice, no source)."""
    ended = struck(tmp_path, "idle", lambda bench, now_ns: bench.panels["thermometer"].broken.add("301"))  # type: ignore[attr-defined]
    (trip,) = ended.runs[0]["trips"]
    assert (trip["rule"], trip["confirmed_safe"]) == ("sensor open", True)
    released_ns = ended.told_ns("cut_off", "REL:STAT OFF", ended.struck_ns[0])[0]
    (opened_ns, *_) = ended.told_ns("load_switch", "ROUT:OPEN", ended.struck_ns[0])
    assert rail_v(ended.bench, released_ns + 100_000_000) > 2.0
    assert rail_v(ended.bench, opened_ns) < 2.0
    assert ended.is_off


def test_a_welded_relay_is_refused_before_anything_is_powered(tmp_path: Path) -> None:
    welding = Mishap("cut_off", "REL:STAT ON", 1, lambda bench, now_ns: bench.world.guards.weld(now_ns))
    ended = night(tmp_path, IDLE, Case(mishaps=(welding,)), (UNIT,), "line_workshop")
    assert ended.done.exit_code == EXIT_TRIPPED
    assert "tripped: cut_off: still in 3 s after its last feed, where 2 s are set" in ended.done.text
    assert f"next: {REMEDIES[BENCH]}" in ended.done.text
    assert "cut-off released: not confirmed" in ended.done.text
    (one,) = ended.runs  # of the first unit, so that results.json tells why nothing was measured
    (trip,) = one["trips"]
    assert (one["outcome"], one["points"], trip["cause"]) == ("tripped", [], "bench")
    assert trip["sentence"].startswith("cut_off: still in 3 s after its last feed, where 2 s are set")
    assert trip["confirmed_safe"]
    assert trip["not_confirmed"] == ["cut-off released"]
    assert one.get("cut_off") is None  # nothing was proved
    assert ended.told_ns("supply", "OUTP ON") == ended.told_ns("load_switch", "ROUT:CLOS (") == []
    assert ended.is_off


@pytest.mark.parametrize("role", ["interlock", "cut_off", "supply"])
def test_what_does_not_answer_before_the_first_unit_is_kept_too(role: str, tmp_path: Path) -> None:
    faults = {role: LinkFaults((LinkFault("silent", at_s=0.0, times=None),))}
    ended = night(tmp_path, IDLE, Case(faults=faults), (UNIT,), "line_workshop")
    (one,) = ended.runs
    (trip,) = one["trips"]
    assert (one["outcome"], one["points"], trip["cause"]) == ("tripped", [], "link")
    assert trip["sentence"].startswith(f"{role}: ")
    assert trip["confirmed_safe"] is (role != "supply")
    assert ended.done.exit_code == (EXIT_NOT_CONFIRMED_SAFE if role == "supply" else EXIT_TRIPPED)
    assert ended.told_ns("supply", "OUTP ON") == []


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (DeclaredBarrierFault(kind="open", contact="402", at_s=8.0), "interlock: load thermostat open"),
        (DeclaredBarrierFault(kind="open", contact="402", at_s=0.5, for_s=0.5), ""),  # closed again before power
        (DeclaredBarrierFault(kind="welded", at_s=0.0), "cut_off: still in"),
    ],
    ids=["open", "open for a while", "welded"],
)
def test_a_declared_fault_strikes_when_it_is_declared(fault: DeclaredBarrierFault, words: str, tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(IDLE)
    asked = DryRun(str(tmp_path / "plan.toml"), (UNIT,), "line_workshop", tmp_path / "out", rig=Rig(barriers=(fault,)))
    done = dry_run(asked, lambda line: None)
    assert done.exit_code == (EXIT_TRIPPED if words else EXIT_DONE), done.text
    assert words in done.text


def test_the_proof_is_kept_and_shown(tmp_path: Path) -> None:
    """When it dropped, by the world: its hold time and the armature's 15 ms, seen by polls of 0.05 + 0.02 s."""
    ended = night(tmp_path, IDLE, Case(), (UNIT,), "line_workshop")
    assert ended.done.exit_code == EXIT_DONE, ended.done.text
    (one,) = ended.runs
    assert one["cut_off"]["hold_s"] == HOLD_S
    assert 0.0 <= one["cut_off"]["dropped_after_s"] - HOLD_S - MOVES_S < 0.1
    shown = dict(how(one).terms)["Cut-off"]
    assert f"dropped after {one['cut_off']['dropped_after_s']:g}" in shown.replace("0 s", " s")
    assert "cut-off dropped under volts" not in ended.events  # fed all night
    assert "Cut-off" not in dict(how({k: v for k, v in one.items() if k != "cut_off"}).terms)
    on_ns = ended.told_ns("supply", "OUTP ON")[0]
    opened_ns = ended.told_ns("load_switch", "ROUT:OPEN:ALL", on_ns)[0]
    assert rail_v(ended.bench, ended.told_ns("supply", "OUTP OFF", on_ns)[0]) > 20.0
    assert rail_v(ended.bench, opened_ns) < 2.0
    assert ended.told_ns("cut_off", "REL:STAT ON")[-1] < on_ns < ended.told_ns("cut_off", "REL:STAT OFF")[-1]
