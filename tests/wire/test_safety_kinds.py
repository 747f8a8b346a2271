"""Each rule of safety by its own kind of trouble, over real sockets: the point ends by the rule's name, the bench is
made safe in fault order by the world's own state, and the next unit is measured as if nothing had been.

Trouble is planted in the simulated truths, in a link's replies, or at one message. Limits are those of the table of
rules (common practice or our own judgement, as it says) and of the unit's file.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.errors import EXIT_TRIPPED
from sequencer.safety.make_safe import RAIL_SAFE_V
from simulators.bench import SimulatedBench
from simulators.faults import LinkFaults
from simulators.world.truth_files import all_shipped_units
from simulators.world.unit_truth import ProtectionTruth, UnitTruth
from tests.wire.safety_nights import FIRST, SECOND, Case, Ended, Mishap, night

pytestmark = pytest.mark.long

SERIAL, NEXT = FIRST.replace("mv_", "MV-"), SECOND.replace("mv_", "MV-")
HEAD = 'format = 1\nname = "short"\nrest = "quick"\n'
SOAK = """
[[stage]]
name = "soak"
measurement = "soak"
loads = ["8R"]
options = { minutes = MINUTES, power_parts = [0.125] }
"""
OFFSET = """
[[stage]]
name = "offset, after drive"
measurement = "output_offset"
wait = "after drive"
"""
BURSTS = """
[[stage]]
name = "bursts of 50 ms"
measurement = "output_power"
loads = ["8R"]
drives = ["50 cycles"]
"""
FIRST_SOAK_BURSTS = 3  # harmless proofs of the gain go before them, each triggered too


def soak(minutes: float) -> str:
    return HEAD + SOAK.replace("MINUTES", str(minutes))


def sound() -> UnitTruth:
    return all_shipped_units()[SERIAL]


# --- trouble


def in_a_soak_burst(act: Callable[[SimulatedBench, int], None]) -> Mishap:
    """As the fourth or fifth burst of 10 s begins."""
    return Mishap("generator", "*TRG", FIRST_SOAK_BURSTS + 5, act)


def broken_off(bench: SimulatedBench, now_ns: int) -> None:
    bench.panels["thermometer"].broken.add("301")  # type: ignore[attr-defined]


def over_current(bench: SimulatedBench, now_ns: int) -> None:
    bench.panels["supply"].trip(now_ns, "over-current")  # type: ignore[attr-defined]


def lead_off(bench: SimulatedBench, now_ns: int) -> None:
    """Nothing comes out any more, and the supply's own panel does not know."""
    bench.world.set_supply(now_ns, 0.0, 25.0, on=False)


def replies_of_301(shown: Callable[[bytes], bytes]) -> Mapping[str, LinkFaults]:
    """shown: what it really read -> what is told."""

    def rewrite(message: str, reply: bytes) -> bytes:
        if not message.startswith("READ?") or "301" not in message:
            return reply
        first, *others = reply.split(b",")
        return b",".join([shown(first), *others])

    return {"thermometer": LinkFaults(rewrite=rewrite)}


def frozen() -> Case:
    """From the second burst of 10 s on always the same, to the last digit."""
    kept: list[bytes] = []
    frozen_now: list[int] = []

    def shown(real: bytes) -> bytes:
        kept.extend([real] if frozen_now and not kept else [])
        return kept[0] if kept else real

    freeze = Mishap("generator", "*TRG", FIRST_SOAK_BURSTS + 2, lambda bench, now_ns: frozen_now.append(now_ns))
    return Case(mishaps=(freeze,), faults=replies_of_301(shown))


def hanging_loose() -> Case:
    """It shows the air of 22 degC, with a little noise."""
    noise_k = itertools.cycle((-0.06, 0.03, 0.0, 0.06, -0.03))
    return Case(faults=replies_of_301(lambda real: b"%+.8E" % (22.0 + next(noise_k))))


def short_inside() -> UnitTruth:
    """Its converter turns most of what it draws into heat: 22 A at 1/8 power, and 1.12 A without signal as before."""
    return replace(sound(), feed=replace(sound().feed, efficiency=0.12))


def running_away() -> UnitTruth:
    """1.12 A at 25 degC, 7 % more with every kelvin of its devices."""
    return replace(sound(), feed=replace(sound().feed, idle_per_k=0.07))


def drifting_offset() -> UnitTruth:
    """Nothing on B at 25 degC, a quarter of a volt with every kelvin. The amps this puts into 8 ohm stay within 1.5 x
    the idle window, since the unit itself draws little."""
    a, b = sound().channels
    b = replace(b, offset_v=0.0, offset_v_per_k=0.25)
    return replace(sound(), channels=(a, b), feed=replace(sound().feed, idle_a=0.85))


def latching() -> UnitTruth:
    """Above 2.5 A of peak its protection takes the outputs away, 0.1 ms later, for good."""
    return replace(sound(), protection=ProtectionTruth(over_a=2.5, delay_s=0.0001))


# --- what it comes to


@dataclass(frozen=True)
class Kind:
    """rule: as the table names it. limit: what the row must tell; None: the rule has no number.

    passes: (value, limit) of the row is a breach.
    """

    rule: str
    plan: str
    case: Case
    limit: float | None
    passes: Callable[[Any, Any], bool]
    channel: str | None = None


def of(truth: UnitTruth) -> Case:
    return Case(truths={SERIAL: truth})


def nothing(value: object, limit: object) -> bool:
    return value is None and limit is None


def above(value: float, limit: float) -> bool:
    return value > limit


def below(value: float, limit: float) -> bool:
    return value < limit


KINDS = {
    "sensor open": Kind("sensor open", soak(2.0), Case(mishaps=(in_a_soak_burst(broken_off),)), None, nothing),
    "sensor silent": Kind("sensor silent", soak(5.0), frozen(), 60.0, lambda value, limit: value >= limit, "A"),  # s
    "sensor not following": Kind("sensor not following", soak(4.0), hanging_loose(), None, below, "A"),  # own test
    "supply current": Kind("supply current", soak(2.0), of(short_inside()), 0.75 * 25.0, above),  # of the unit's fuse
    "supply tripped": Kind(
        "supply tripped", soak(2.0), Case(mishaps=(in_a_soak_burst(over_current),)), None, lambda value, limit: True
    ),
    "supply volts": Kind("supply volts", soak(2.0), Case(mishaps=(in_a_soak_burst(lead_off),)), 0.95 * 24.0, below),
    "offset": Kind("offset", soak(2.0) + OFFSET, of(drifting_offset()), 3.0, above, "B"),
    "output gone": Kind("output gone", HEAD + BURSTS, of(latching()), None, below, "A"),
    "supply current without signal": Kind(
        "supply current without signal", soak(2.0), of(running_away()), 1.5 * 1.45, above
    ),  # of the window's upper end
}


@pytest.fixture(scope="module")
def ended(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Ended]:
    """The night of each kind, run once."""
    nights: dict[str, Ended] = {}

    def run(name: str) -> Ended:
        if name not in nights:
            nights[name] = night(tmp_path_factory.mktemp("kind") / "night", KINDS[name].plan, KINDS[name].case)
        return nights[name]

    return run


@pytest.mark.parametrize("name", KINDS)
def test_the_point_ends_by_the_name_of_its_rule(name: str, ended: Callable[[str], Ended]) -> None:
    kind, found = KINDS[name], ended(name)
    assert found.done.exit_code == EXIT_TRIPPED, found.done.text
    run = found.runs[0]
    (trip,) = run["trips"]
    assert (run["unit"]["serial"], run["outcome"], trip["cause"]) == (SERIAL, "tripped", "unit")
    assert trip["rule"] == kind.rule
    assert trip["quantity"]
    assert kind.passes(trip["value"], trip["limit"]), trip
    if kind.limit is not None:
        assert trip["limit"] == pytest.approx(kind.limit)
    if kind.channel is not None:
        assert trip["channel"] == kind.channel
    last = run["points"][-1]
    assert (last["id"], last["outcome"], last["reason"]) == (trip["point"], "tripped", trip["sentence"])
    assert [point["outcome"] for point in run["points"][:-1]] == ["measured"] * (len(run["points"]) - 1)


@pytest.mark.parametrize("name", KINDS)
def test_the_bench_is_made_safe_in_fault_order(name: str, ended: Callable[[str], Ended]) -> None:
    """Signal and supply off at once; contacts open only once the rail is down (as the world has it), and before the
    next unit is connected. By the simulators' log and world, not by what is told."""
    found = ended(name)
    last = found.bursts_of(SERIAL)[-1]
    off_ns = found.told_ns("supply", "OUTP OFF", last.start_ns)[0]
    silent_ns = found.told_ns("generator", "OUTP1 OFF", last.start_ns)[0]
    open_ns = found.told_ns("load_switch", "ROUT:OPEN", last.start_ns)[0]
    assert last.end_ns <= max(off_ns, silent_ns)
    assert open_ns > max(off_ns, silent_ns)
    assert abs(found.bench.world.supply_means(open_ns - 20_000_000, open_ns).volts) < RAIL_SAFE_V
    assert found.told_ns("load_switch", "ROUT:CLOS (", last.start_ns)[0] > open_ns
    assert found.is_off
    assert not found.contacts
    assert set(found.events) <= {"protection cut in: current"}


@pytest.mark.parametrize("name", KINDS)
def test_the_next_unit_is_measured(name: str, ended: Callable[[str], Ended]) -> None:
    run = ended(name).runs[1]
    assert (run["unit"]["serial"], run["outcome"], run["trips"]) == (NEXT, "finished", [])
    assert {point["outcome"] for point in run["points"]} == {"measured"}


@pytest.mark.parametrize("name", ["sensor open", "supply tripped", "supply volts"])
def test_the_burst_it_happens_in_is_cut_and_no_other_begins(name: str, ended: Callable[[str], Ended]) -> None:
    """It happens as a burst of 10 s begins: a unit that is watched is off long before that would end by its count."""
    found = ended(name)
    (struck_ns,) = found.struck_ns
    (burst,) = [burst for burst in found.bursts_of(SERIAL) if burst.start_ns >= struck_ns - 1]
    assert burst.cut
    assert burst.end_ns - struck_ns < 5e9  # bench time: half of its 10 s


# --- the numbers in the row against the truth


def trip_of(found: Ended) -> dict[str, Any]:
    (trip,) = found.runs[0]["trips"]
    return dict(trip)


def test_the_amps_told_are_those_that_flowed(ended: Callable[[str], Ended]) -> None:
    """The world's own mean over the burst, from its first second on; the meter's errors are within 1 %."""
    found = ended("supply current")
    burst = found.bursts_of(SERIAL)[-1]
    amps = found.bench.world.supply_means(burst.start_ns + 10**8, burst.start_ns + 2 * 10**8).amps
    assert trip_of(found)["value"] == pytest.approx(amps, rel=0.01)


def test_the_offset_told_is_the_one_that_stood_there(ended: Callable[[str], Ended]) -> None:
    """The world's own wire after the last trigger; probe and range are declared to 1.5 %."""
    found = ended("offset")
    after_s = np.linspace(0.05, 0.2, 1501)
    last = found.bursts_of(SERIAL)[-1]
    volts, _ = found.bench.world.wires(["output B"], last.end_ns, after_s)["output B"]
    assert trip_of(found)["value"] == pytest.approx(float(volts.mean()), rel=0.015)
    assert float(volts.mean()) == pytest.approx(5.0, abs=1.0)


def test_a_sensor_that_does_not_follow_had_heat_worth_four_kelvin(ended: Callable[[str], Ended]) -> None:
    """A quarter of at least 4 K. By the world, the bursts' heat in channel A was worth more than that in kelvin of the
    file's 700 J/K: what the rule counts is a lower bound."""
    found = ended("sensor not following")
    worth_k = sum(burst.heat_j[0] for burst in found.bursts_of(SERIAL)) / 700.0
    assert 0.25 * 4.0 <= trip_of(found)["limit"] <= 0.25 * worth_k


def test_the_idle_current_told_is_the_one_that_flowed(ended: Callable[[str], Ended]) -> None:
    """It was sound before it was driven: 1.12 A within 0.8 to 1.45 A; the last seconds before off are those told."""
    found = ended("supply current without signal")
    first, last = found.bursts_of(SERIAL)[0], found.bursts_of(SERIAL)[-1]
    off_ns = found.told_ns("supply", "OUTP OFF", last.start_ns)[0]
    before = found.bench.world.supply_means(first.start_ns - 10**8, first.start_ns).amps
    told = found.bench.world.supply_means(off_ns - 10**9, off_ns).amps
    assert 0.8 <= before <= 1.45
    assert trip_of(found)["value"] == pytest.approx(told, rel=0.02)


def too_many_volts(bench: SimulatedBench, now_ns: int) -> None:
    bench.panels["supply"].trip(now_ns, "over-voltage")  # type: ignore[attr-defined]


def test_too_many_volts_end_the_night(tmp_path: Path) -> None:
    """No unit makes them: the bench itself is in doubt, and the next unit is not powered from it."""
    found = night(tmp_path / "night", soak(2.0), Case(mishaps=(in_a_soak_burst(too_many_volts),)))
    assert found.done.exit_code == EXIT_TRIPPED
    assert [run["unit"]["serial"] for run in found.runs] == [SERIAL]
    assert "supply tripped on its volts" in found.done.text
    assert found.is_off
    assert not found.contacts


def test_a_unit_that_cannot_be_powered_is_left_and_the_next_measured(tmp_path: Path) -> None:
    """The supply's own over-current trip acts half a second after it came on: this bay alone is given up."""
    powering = (Mishap("supply", "OUTP?", 2, lambda bench, now_ns: over_current(bench, now_ns)),)
    found = night(tmp_path / "night", HEAD + BURSTS, Case(mishaps=powering))
    first, second = found.runs
    assert found.done.exit_code == EXIT_TRIPPED
    assert [trip["rule"] for trip in first["trips"]] == ["supply tripped"]
    assert (first["outcome"], second["unit"]["serial"], second["outcome"]) == ("tripped", NEXT, "finished")
    assert found.is_off
    assert not found.contacts
