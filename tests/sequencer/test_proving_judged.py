"""What a proof makes of a supply's readings and signs (Ohm's law), of temperatures (scales by definition), and which
values it sets."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from drivers.errors import GarbledReply, InstrumentError, LinkTimeout, SettingRefused, WrongIdentity
from sequencer.errors import InputRefused
from sequencer.plan.load import load_bench
from sequencer.proving.setting_values import contacts_of, generator_groups, supply_groups
from sequencer.proving.supply_seen import Point, limited_fault, off_fault, regulated_fault
from sequencer.proving.thermometer_seen import implausible, warmed_fault
from sequencer.proving.words import broken
from sequences import __file__ as sequences_file

BENCHES = Path(sequences_file).parent / "benches"
SOUND = Point(set_v=12.0, limit_a=2.0, read_v=12.01, read_a=1.19, limited=False, dummy_ohm=10.0)
BARE = Point(set_v=12.0, limit_a=0.2, read_v=12.0, read_a=0.002, limited=False)


def test_volts_as_set_and_amps_by_ohms_are_sound() -> None:
    assert regulated_fault(SOUND) is None
    assert regulated_fault(BARE) is None


@pytest.mark.parametrize(
    ("point", "words"),
    [
        (replace(SOUND, read_v=12.7, read_a=1.27), "sense leads are open"),
        (replace(SOUND, read_v=0.1, read_a=0.01), "gives nothing"),
        (replace(SOUND, read_v=12000.0), "mV for V"),
        (replace(SOUND, read_a=1200.0), "mA for A"),
        (replace(SOUND, read_a=0.0), "not connected"),
        (replace(SOUND, read_v=1.2, read_a=12.0), "swapped"),
        (replace(SOUND, read_v=6.0, read_a=0.6), "acts too early"),
        (replace(SOUND, read_v=9.0, read_a=1.2), "setting or meter is off"),
        (replace(SOUND, read_a=1.5), "its meter, or the ohms"),
        (replace(SOUND, limited=True), "wrong way round"),
        (replace(SOUND, tripped="over_current"), "trip bits misread"),
        (replace(BARE, read_a=0.9), "is a unit connected"),
    ],
)
def test_what_is_not_sound_is_named(point: Point, words: str) -> None:
    assert words in (regulated_fault(point) or "")


LIMITED = Point(set_v=12.0, limit_a=0.6, read_v=6.0, read_a=0.6, limited=True, dummy_ohm=10.0)


@pytest.mark.parametrize(
    ("point", "words"),
    [
        (replace(LIMITED, read_v=12.0, read_a=1.2), "not taken"),
        (replace(LIMITED, limited=False), "status bits misread"),
        (replace(LIMITED, read_v=12.0), "do not fit the resistor"),
    ],
)
def test_a_limit_that_does_not_hold_or_tell_is_named(point: Point, words: str) -> None:
    assert limited_fault(LIMITED) is None
    assert words in (limited_fault(point) or "")


@pytest.mark.parametrize(
    ("read_v", "rail_v", "words"),
    [
        (12.0, 0.0, "the setting, not its terminals"),
        (12.0, 12.0, "output stays on"),
        (12.0, None, "or its reading is the setting"),
        (0.0, 12.0, "output stays on"),
        (5.0, None, "output stays on"),
    ],
)
def test_off_that_is_not_off_is_named(read_v: float, rail_v: float | None, words: str) -> None:
    assert off_fault(0.01, 12.0, None) is None
    assert off_fault(0.01, 12.0, 0.02) is None
    assert words in (off_fault(read_v, 12.0, rail_v) or "")


# 21 degC are 69.8 degF and 294.15 K, by definition of the scales.
@pytest.mark.parametrize(
    ("celsius", "words"),
    [(69.8, "Fahrenheit"), (294.15, "kelvins"), (210.0, "10 times"), (-60.0, "no plausible")],
)
def test_a_room_in_another_scale_is_named(celsius: float, words: str) -> None:
    assert implausible("301", 21.0) is None
    assert words in (implausible("301", celsius) or "")


@pytest.mark.parametrize(
    ("after", "words"),
    [([21.0, 21.0], "frozen"), ([20.0, 18.0], "poles"), ([21.2, 21.4], "another sensor")],
)
def test_a_sensor_that_does_not_rise_is_named(after: list[float], words: str) -> None:
    assert warmed_fault("301", [21.0, 21.0], [22.0, 24.0]) is None
    assert words in (warmed_fault("301", [21.0, 21.0], after) or "")


@pytest.mark.parametrize(
    ("error", "words"),
    [
        (WrongIdentity("supply", "somebody else"), "bench file"),
        (LinkTimeout("supply", "no answer"), "cable"),
        (GarbledReply("supply", "surplus"), "nightramp dialect"),
        (SettingRefused("supply", "volts"), "manual"),
    ],
)
def test_an_error_of_an_instrument_has_a_remedy(error: InstrumentError, words: str) -> None:
    step = broken("settings", "supply", error)
    assert step.outcome == "failed"
    assert words in step.next_action
    assert step.sentence == error.sentence
    assert broken("places", "load_switch", error).sentence == str(error)


def test_no_value_that_is_set_passes_a_ceiling() -> None:
    bench = load_bench("workshop").model
    puts = [put for group in supply_groups(bench, 1.1 * bench.ceiling.supply_v) for put in group]
    most = {"volts": bench.ceiling.supply_v, "limit": bench.ceiling.supply_a}
    assert {put.name for put in puts} == {"volts", "limit", "over_voltage_trip"}
    assert all(float(put.value) <= most.get(put.name, math.inf) for put in puts)
    levels = [p.value for g in generator_groups(bench, 1e-4, "vrms") for p in g if p.name == "level"]
    assert max(float(v) for v in levels) <= bench.ceiling.generator_vrms
    assert levels[-1] == 1e-4
    assert all(put.value == 0.0 for put in puts if put.name == "volts" and put is puts[-1])


def test_contacts_are_all_that_the_file_names() -> None:
    bench = load_bench("workshop").model
    assert set(contacts_of(bench)) == {*(f"10{n}" for n in range(1, 5)), *(f"20{n}" for n in range(1, 9))}


@pytest.mark.parametrize(
    ("bench", "more", "key", "remedy"),
    [
        ("workshop", '[prove]\nloop_input = "ch4"\n', "prove.loop_input", "an input of [wiring]"),
        ("by_hand", "[prove]\ndummy_ohm = 10.0\n", "prove.dummy_ohm", "leave it out"),
        ("workshop", "[prove]\nloop = 10.0\n", "prove.loop", "loop_input"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused(tmp_path: Path, bench: str, more: str, key: str, remedy: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_text((BENCHES / f"{bench}.toml").read_text().split("\n[prove]")[0] + "\n" + more)
    with pytest.raises(InputRefused) as refused:
        load_bench(str(file))
    (problem,) = refused.value.problems
    assert problem.key == key
    assert remedy in problem.remedy
