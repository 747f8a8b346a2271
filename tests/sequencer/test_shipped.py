"""What ships: every plan on every bench it is made for, and what unit and bench files say against the simulated truths.

The truths are the source of the expected values: a file that is off by more than its own word would make a healthy
unit look sick.
"""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import NamedTuple

import pytest

from sequencer.on_paper import accepted
from sequencer.plan.load import load_bench, load_inputs, load_unit, shipped
from sequencer.plan.models import Bench, Unit
from sequencer.plan.refuse import refusals_of
from simulators.panels.load_switch_common import CONTACTS
from simulators.panels.thermometer_common import INPUTS
from simulators.world.bench_truth import BenchTruth
from simulators.world.truth_files import SHIPPED, all_shipped_units, load_bench_truth
from simulators.world.unit_truth import UnitTruth

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "sequences" / "README.md").read_text(encoding="utf-8")
NAMES = shipped()
LINE_PLANS = {"line_output"}  # they name the loads of the bench for 100 V lines
LINE_BENCH = "line_workshop"
METER_PLANS, METER_BENCH = {"compared"}, "meter_workshop"  # they need a meter
# They need all hardware.
STEADY_PLANS = {"steady", "soak_short", "quiet_hour", "long_night", "cold_and_hot", "rate_after_repair"}
STEADY_PLANS |= {"overnight_batch"}
FULL_BENCH = "ferry_workshop"
SWITCHED_PLANS, HAND_BENCH = {"response"}, "by_hand"  # they change loads within a point: no person does that
# A fault that came after its last measurement makes these differ from it, on purpose.
CHANGED = {("MV-0132", "idle"), ("MV-0135", "idle"), ("MV-0139", "gain B")}


def benches_for(plan: str) -> list[str]:
    if plan in LINE_PLANS:
        return [LINE_BENCH]
    if plan in METER_PLANS:
        return [METER_BENCH]
    if plan in STEADY_PLANS:
        return [FULL_BENCH]
    without = {LINE_BENCH} | ({HAND_BENCH} if plan in SWITCHED_PLANS else set())
    return [name for name in NAMES["benches"] if name not in without]


def units_for(bench: Bench) -> list[str]:
    """The shipped units that stand on this bench in simulation."""
    return [name for name in NAMES["units"] if load_unit(name).model.serial in bench.simulated.truth]


PLACES = [(plan, bench) for plan in NAMES["plans"] for bench in benches_for(plan)]


@pytest.mark.parametrize(("plan", "bench"), PLACES)
def test_nothing_is_refused_of_what_ships(plan: str, bench: str) -> None:
    """As many units at a time as the bench has bays; each gets one of its own."""
    model = load_bench(bench).model
    units = units_for(model)
    assert units
    for some in (units[at : at + len(model.bay)] for at in range(0, len(units), len(model.bay))):
        inputs = load_inputs(plan, some, bench)
        assert [str(problem) for problem in refusals_of(inputs)] == []
        assert len({one.bay.name for one in inputs.units}) == len(some)


def test_the_low_loads_are_refused_to_the_line_output() -> None:
    """Into 4 and 8 ohm its protection cuts in at once: its file's minimum says so."""
    problems = refusals_of(load_inputs("first", ["ferry_pa_line_120"], "ferry_workshop"))
    assert any("below the unit's minimum of 83.3" in problem.remedy for problem in problems)


def test_every_serial_has_a_truth_of_that_serial() -> None:
    serials = {load_unit(name).model.serial for name in NAMES["units"]}
    truths = {
        serial: truth for name in NAMES["benches"] for serial, truth in load_bench(name).model.simulated.truth.items()
    }
    assert serials == set(truths)
    assert all(all_shipped_units()[serial].serial == serial for serial in truths)
    assert all((SHIPPED / f"{name}.toml").is_file() for name in truths.values())


def test_everything_has_a_title_and_is_told_of() -> None:
    assert all(title for kind in NAMES.values() for title in kind.values())
    assert [name for kind in ("plans", "benches") for name in NAMES[kind] if f"/{name}.toml" not in README] == []


def test_the_table_of_plans_begins_with_the_smallest() -> None:
    listed = re.findall(r"^\| \[`(\w+)`\]\(plans/", README, re.MULTILINE)
    assert sorted(listed) == sorted(NAMES["plans"])
    assert listed[0] == "first"
    assert listed[-1] == "overnight_batch"


# --- units against their truths -------------------------------------------------------------------


class Described(NamedTuple):
    unit: Unit
    truth: UnitTruth


FERRY = [
    Described(load_unit(name).model, all_shipped_units()[load_unit(name).model.serial])
    for name in units_for(load_bench(FULL_BENCH).model)
]


@pytest.mark.parametrize("case", FERRY, ids=lambda case: case.unit.serial)
def test_the_fingerprint_is_near_the_truth(case: Described) -> None:
    """Last measured: within 0.1 dB and 10 % of what the unit is today, where no fault has come since."""
    serial, found = case.unit.serial, case.unit.fingerprint
    for channel in case.truth.channels:
        if (serial, f"gain {channel.name}") not in CHANGED:
            assert found.gain_db[channel.name] == pytest.approx(channel.gain_db, abs=0.1)
    if (serial, "idle") not in CHANGED:
        assert found.idle_a == pytest.approx(case.truth.feed.idle_a, rel=0.1)
    assert found.standby_a == pytest.approx(case.truth.feed.standby_a, rel=0.1)


@pytest.mark.parametrize("case", FERRY, ids=lambda case: case.unit.serial)
def test_the_idle_window_holds_who_is_sound(case: Described) -> None:
    """Cold and 60 K warmer, by the truth's own rise; those with a fault of their idle current lie outside."""
    feed, window = case.truth.feed, case.unit.idle_current.window_a
    assert window is not None
    hot_a = feed.idle_a * (1.0 + 60.0 * feed.idle_per_k)
    inside = window[0] < feed.idle_a and hot_a < window[1]
    assert inside == ((case.unit.serial, "idle") not in CHANGED)


@pytest.mark.parametrize("case", FERRY, ids=lambda case: case.unit.serial)
def test_the_heat_sinks_kelvin_per_watt_are_as_the_thermometer_sees_them(case: Described) -> None:
    """Between the heat sink's own, and that with the sensor's part of the way to driven devices (resistances in series,
    textbook): it is read in the pauses, when the devices have cooled a little."""
    heat = case.truth.heat
    driven = heat.k_per_w + heat.sensor_part * heat.device_k_per_w
    assert case.unit.heatsink_k_per_w is not None
    assert heat.k_per_w < case.unit.heatsink_k_per_w < driven


@pytest.mark.parametrize("case", FERRY, ids=lambda case: case.unit.serial)
def test_the_bay_powers_what_has_a_remote_line(case: Described) -> None:
    assert case.unit.remote_line
    assert case.truth.feed.standby_a < case.unit.standby_a_max
    assert case.truth.feed.mute_s < case.unit.mute_s


# --- benches against their truths -----------------------------------------------------------------


def world_of(bench: Bench) -> BenchTruth:
    assert bench.simulated.world is not None
    return load_bench_truth(SHIPPED / f"{bench.simulated.world}.toml")


@pytest.mark.parametrize("name", list(NAMES["benches"]))
def test_the_bench_errs_no_more_than_its_file_says(name: str) -> None:
    """Probes, ranges, shunts and zero errors within their stated half-widths; loads within 1 % of what was measured."""
    bench = load_bench(name).model
    world = world_of(bench)
    for key, declared in bench.input.items():
        true = world.digitiser.input(int(key.removeprefix("ch")))
        assert true.probe_factor == declared.factor
        error = world.load_shunt_ohm / declared.ohm - 1.0 if declared.ohm else true.probe_gain_error
        assert abs(error) <= declared.gain_uncertainty_pct / 100.0
        assert abs(true.offset_error_v) <= declared.offset_uncertainty_v
        assert true.range_gain_spread <= min(one.gain_uncertainty_pct for one in bench.range) / 100.0
    for load, ohms in world.load_ohm.items():
        assert bench.load[load].ohm == pytest.approx(ohms, rel=0.01)
    assert bench.lead["supply"].ohm == pytest.approx(world.supply.lead_ohm, rel=0.1)


@pytest.mark.parametrize("name", ["ferry_workshop", "line_workshop"])
def test_the_ferry_benches_know_their_loads(name: str) -> None:
    """Within two standard uncertainties (95 %, JCGM 100): volts by amps shall find no wrong load here."""
    bench = load_bench(name).model
    for load, ohms in world_of(bench).load_ohm.items():
        for channel, ohm in ohms.items():
            assert abs(bench.load[load].ohm[channel] - ohm) <= 2.0 * bench.load[load].uncertainty_ohm


@pytest.mark.parametrize("name", list(NAMES["benches"]))
def test_contacts_and_sensors_exist(name: str) -> None:
    """On the fronts of the shipped matrix and thermometer (their programming pages)."""
    bench = load_bench(name).model
    contacts = {c for load in bench.load.values() for c in load.contacts()}
    sensors = [name for bay in bench.bay for name in bay.thermometer.values()]
    for bay in bench.bay:
        single = (bay.supply_contact, bay.input_contact, bay.remote_contact)
        contacts |= {*bay.output_contacts, *(one for one in single if one)}
    assert contacts <= CONTACTS
    assert set(sensors) <= INPUTS
    assert len(sensors) == len(set(sensors))


def test_the_ferry_bench_has_what_a_night_alone_needs() -> None:
    bench = load_bench(FULL_BENCH).model
    assert len(bench.bay) == 5
    assert all(bay.remote_contact and set(bay.thermometer) == {"A", "B"} for bay in bench.bay)
    assert set(bench.wiring.values()) == {"output A", "output B", "rail", "shunt in the load return"}
    declared = bench.hardware.model_dump(exclude={"supply_fuse_a"})
    assert declared == dict.fromkeys(declared, True)


def test_the_line_bench_fits_a_100_v_line() -> None:
    """100 V squared over 120 W, and sqrt(2) x 100 V at the probes: plain arithmetic."""
    bench, unit = load_bench(LINE_BENCH).model, load_unit("ferry_pa_line_120").model
    load = bench.load["83R"]
    assert load.nominal_ohm == pytest.approx(100.0**2 / 120.0, rel=0.001)
    assert load.nominal_ohm >= unit.minimum_load_ohm
    at_connector_v = math.sqrt(2.0) * 100.0 / bench.input["ch1"].factor
    assert any(1.0 < one.full_scale_v / at_connector_v < 3.0 for one in bench.range)


def test_the_line_units_passband_ends_above_where_its_core_saturates() -> None:
    """A sine of V peak and f has V / (2 pi f) volt seconds of flux (law of induction)."""
    truth, unit = all_shipped_units()["MV-0136"], load_unit("ferry_pa_line_120").model
    core = truth.channels[0].transformer
    assert core is not None
    full_v = math.sqrt(2.0) * 100.0 / core.ratio
    saturates_below_hz = full_v / (2.0 * math.pi * core.saturation_vs)
    assert 45.0 < saturates_below_hz < 0.75 * unit.passband_hz[0]


# --- what is used where nothing is said -----------------------------------------------------------


def test_the_night_for_five_is_the_demo() -> None:
    for plan in (None, "overnight_batch"):
        _, inputs, _ = accepted(plan, (), None)
        assert inputs.plan.model.name == "overnight_batch"
        assert inputs.plan.model.reference == "first and last"
        assert inputs.bench.model.name == "ferry_workshop"
        serials = [one.loaded.model.serial for one in inputs.units]
        assert serials == ["MV-0131", "MV-0132", "MV-0133", "MV-0134", "MV-0135"]


def test_another_plan_stands_on_the_first_bench() -> None:
    _, inputs, _ = accepted("first", (), None)
    assert inputs.bench.model.name == "workshop"
    assert [one.loaded.model.serial for one in inputs.units] == ["MV-0117", "MV-0122"]
