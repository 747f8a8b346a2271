"""The rules of safety on paper: each trips beyond its limit and not below it. Limits: common practice, no source,
unless a test says otherwise."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, SetSupply, Shot
from sequencer.plan.load import load_bench, load_unit
from sequencer.safety.rules import TABLE, Rules

UNIT = load_unit("mv_0131").model
BENCH = load_bench("ferry_workshop").model
BAY = BENCH.bay[0]
READ = ReadBench()


def rules(measurement: str = "output_power") -> Rules:
    return Rules(UNIT, BENCH, BAY, measurement)


def reading(
    at_s: float = 0.0, volts: float = 24.0, amps: float = 1.1, heat: Mapping[str, float] | None = None, **other: object
) -> BenchReading:
    given = {"supply_limited": False, "supply_tripped": None} | other
    temps = {"A": 25.0, "B": 25.0} if heat is None else heat
    return BenchReading(volts, amps, heatsink_c=temps, at_ns=round(at_s * 1e9), **given)  # type: ignore[arg-type]


def record(volts: np.ndarray, interval_s: float = 1e-5, start_s: float = 0.0) -> Record:
    return Record(volts, interval_s, start_s, 0.001, 100.0, False, 12, np.zeros(volts.size, np.int32), 0.001, 0.0)


def fire(level_vrms: float, purpose: str, cycles: int = 20, last_s: float | None = None) -> Fire:
    return Fire(level_vrms, 1000.0, cycles, {"ch1": 50.0, "ch2": 50.0}, purpose, last_s=last_s)  # type: ignore[arg-type]


def shot(request: Fire, gain_a: float, gain_b: float, at_s: float = 1.0, amps: float = 1.1) -> Shot:
    times = np.arange(0.0, request.cycles / request.frequency_hz, 1e-5)
    sine = math.sqrt(2.0) * request.level_vrms * np.sin(2.0 * math.pi * request.frequency_hz * times)
    records = {"ch1": record(gain_a * sine), "ch2": record(gain_b * sine)}
    return Shot(1, request, request.level_vrms, records, round(at_s * 1e9), False, None, 24.0, amps)


def quiet(volts_a: float, seconds: float = 0.25) -> Shot:
    """A record of silence, by whatever trigger."""
    n = round(seconds / 1e-5)
    request = Fire(1e-3, 1000.0, 1, {"ch1": 50.0, "ch2": 50.0}, "quiet")
    records = {"ch1": record(np.full(n, volts_a)), "ch2": record(np.zeros(n))}
    return Shot(1, request, 1e-3, records, 10**9, False, None, 24.0, 1.1)


def names(of: Rules, *heard: tuple[Request, Reply]) -> list[str]:
    found = [of.hear(request, reply) for request, reply in heard]
    return [one.name for one in found if one is not None]


def test_a_sound_unit_passes_none() -> None:
    of = rules()
    told = [(READ, reading(at_s)) for at_s in range(0, 600, 10)]
    drive = [(r := fire(1.0, "ramp"), shot(r, 20.0, 20.0, at_s)) for at_s in range(1, 50)]
    assert names(of, *told, *drive, (fire(0.01, "quiet"), quiet(0.02))) == []


@pytest.mark.parametrize(("celsius", "expected"), [(84.9, []), (85.0, ["heat sink"])])
def test_heat_sink_at_its_trip_limit(celsius: float, expected: list[str]) -> None:
    """The unit's file: trip_c = 85."""
    assert UNIT.heat.trip_c == 85.0
    assert names(rules(), (READ, reading(heat={"A": celsius, "B": 25.0}))) == expected


@pytest.mark.parametrize(("step_k", "expected"), [(14.9, []), (15.2, ["heat sink rising"])])
def test_heat_sink_rising_by_more_than_1_5_k_a_second(step_k: float, expected: list[str]) -> None:
    """Over 10 s: 15 K are just 1.5 K/s."""
    of = rules()
    first, then = reading(0.0), reading(10.0, heat={"A": 25.0 + step_k, "B": 25.0})
    assert names(of, (READ, first), (READ, then)) == expected


@pytest.mark.parametrize("heat", [{"B": 25.0}, {"A": math.nan, "B": 25.0}, {"A": 400.0, "B": 25.0}])
def test_a_sensor_that_is_open(heat: Mapping[str, float]) -> None:
    """Nothing, no number, or more than any heat sink in a workshop has: our own judgement."""
    assert names(rules(), (READ, reading(heat=heat))) == ["sensor open"]


def test_a_sensor_that_stands_still_while_heat_goes_in() -> None:
    """Tones of 10 s at 3.2 A: 24 x 3.2 x 10 = 768 J each, of which class B keeps well over a third at this level."""
    of, found = rules("soak"), []
    for n in range(60):
        request = fire(0.35, "soak", cycles=10_000, last_s=0.1)
        tone = shot(fire(0.35, "soak", cycles=100), 20.0, 20.0, at_s=11.0 * n, amps=3.2)
        heard = Shot(1, request, 0.35, tone.records, tone.fired_at_ns, False, None, 24.0, 3.2)
        found += names(of, (request, heard), (READ, reading(11.0 * n + 10.5, amps=1.1)))
    assert found
    assert set(found) <= {"sensor silent", "sensor not following"}


def test_supply_current_above_the_least_of_unit_fuse_and_ceiling() -> None:
    """0.75 x the smallest fuse, or the unit's own most, or the bench's ceiling."""
    lead = BENCH.lead["supply"].fuse_a or math.inf
    fuses = [UNIT.supply_fuse_a, lead, BENCH.hardware.supply_fuse_a or math.inf]
    limit_a = min(0.75 * min(fuses), UNIT.supply_a_max, BENCH.ceiling.supply_a)
    assert names(rules(), (READ, reading(amps=0.99 * limit_a))) == []
    assert names(rules(), (READ, reading(amps=1.01 * limit_a))) == ["supply current"]


def test_idle_current_above_one_and_a_half_windows_once_it_was_driven() -> None:
    """Twice in a row, and only after drive: before it is a finding, not a trip."""
    assert UNIT.idle_current.window_a is not None
    high_a = 1.51 * UNIT.idle_current.window_a[1]
    of = rules()
    assert names(of, *[(READ, reading(t, amps=high_a)) for t in (100.0, 101.0, 102.0)]) == []
    request = fire(1.0, "ramp")
    told = [(request, shot(request, 20.0, 20.0, 103.0)), (READ, reading(110.0, amps=high_a))]
    assert names(of, *told) == []
    assert names(of, (READ, reading(111.0, amps=high_a))) == ["supply current without signal"]


def test_a_supply_that_tripped() -> None:
    assert names(rules(), (READ, reading(supply_tripped="over_voltage"))) == ["supply tripped"]
    assert names(rules("first_power"), (READ, reading(supply_tripped="over_voltage"))) == []  # it says so itself


def test_supply_volts_away_from_what_is_set() -> None:
    """5 %: our own judgement. Half of it, once it had been right, at once."""
    of = rules()
    told = [(SetSupply(24.0, 20.0), None), (READ, reading(10.0)), (READ, reading(11.0, volts=22.9))]
    assert names(of, *told) == []
    assert names(of, (READ, reading(12.0, volts=22.7))) == []
    assert names(of, (READ, reading(13.0, volts=22.7))) == ["supply volts"]
    gone = rules()
    told = [(SetSupply(24.0, 20.0), None), (READ, reading(10.0)), (READ, reading(11.0, volts=0.1))]
    assert names(gone, *told) == ["supply volts"]


@pytest.mark.parametrize(
    ("volts", "seconds", "expected"),
    [(2.9, 0.25, []), (3.1, 0.25, ["offset"]), (-8.0, 0.25, ["offset"]), (8.0, 0.1, [])],
)
def test_offset_without_signal(volts: float, seconds: float, expected: list[str]) -> None:
    """More than 3 V for more than 150 ms; a shorter record says nothing."""
    assert names(rules("output_offset"), (fire(0.001, "quiet"), quiet(volts, seconds))) == expected


def test_an_output_that_is_gone_while_driven() -> None:
    """Twice below a tenth of gain x level: the first time it may be a protection, which the search names."""
    of, proof, ramp = rules(), fire(0.02, "gain proof"), fire(1.0, "ramp")
    assert names(of, (proof, shot(proof, 20.0, 20.0)), (ramp, shot(ramp, 20.0, 1.9))) == []
    assert names(of, (ramp, shot(ramp, 20.0, 20.0)), (ramp, shot(ramp, 20.0, 1.9))) == []
    assert names(of, (ramp, shot(ramp, 20.0, 1.9))) == ["output gone"]
    looking = rules("protection")
    assert names(looking, (proof, shot(proof, 20.0, 20.0)), *[(ramp, shot(ramp, 20.0, 0.0))] * 3) == []


def test_what_was_learned_outlives_a_point_and_counts_do_not() -> None:
    of, proof, ramp = rules(), fire(0.02, "gain proof"), fire(1.0, "ramp")
    assert names(of, (proof, shot(proof, 20.0, 20.0)), (ramp, shot(ramp, 20.0, 0.0))) == []
    after = of.next("output_power")
    assert names(after, (ramp, shot(ramp, 20.0, 0.0))) == []
    assert names(after, (ramp, shot(ramp, 20.0, 0.0))) == ["output gone"]


def test_the_table_names_every_rule_that_can_trip() -> None:
    """Against the sources: a rule that is not in the table could not be explained to anybody."""
    import re
    from pathlib import Path

    import sequencer.safety.rules as module

    folder = Path(module.__file__).parent
    said = {
        name for file in folder.glob("rules_*.py") for name in re.findall(r'Breach\(\s*"([a-z ]+)"', file.read_text())
    }
    assert said == {rule.name for rule in TABLE}
