"""`steady_efficiency` against the textbook efficiency of class B, on paper: the stage and its supply are the test's
own."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any, cast

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.measurements.registry import DRIVEN, VALUE_MEASUREMENTS
from sequencer.measurements.requests import BenchReading, Fire, ReadBench, Reply, Request, Rest, Shot
from sequencer.measurements.steady_efficiency import steady_efficiency
from sequencer.measurements.values import Context, ValueJob, Values
from sequencer.plan.estimate import estimates
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.models import Bench, Unit
from sequencer.plan.points import ValuePoint
from tests.sequencer.paper_values import job as paper_job
from tests.sequencer.sound_inputs import SOUND, Kind, changed, problems, write

RAIL_V, OHM, GAIN, SUPPLY_V = 30.0, 8.0, 20.0, 24.0
LEAD_OHM = 0.01
# eta = pi x / 4 at x = Vp/Vcc, x = sqrt(part): textbook of class B, digits worked out by hand
IDEAL = {1.0: 78.5398, 1.0 / 3.0: 45.3450, 0.25: 39.2699, 0.125: 27.7680}
HARDWARE = "[hardware]\nload_thermostat = true\nfuse_per_supply_lead = true\nfireproof_base = true\ncut_off = true\n"
STAGE = """\
[[stage]]
name = "efficiency"
measurement = "steady_efficiency"
loads = ["8R"]
"""


class ClassB:
    """Split rails of +-30 V from a converter without loss. Drawn: 2 Vcc Vp / (pi R) a channel, at 24 V at the unit;
    the meter is before the lead. meter_a: factor of its current. gone_above_vrms: a protection that never returns."""

    def __init__(self, idle_a: float = 0.0, meter_a: float = 1.0, gone_above_vrms: float = 99.0) -> None:
        self.idle_a, self.meter_a, self.gone_above_vrms = idle_a, meter_a, gone_above_vrms
        self.asked: list[Request] = []

    def answer(self, request: Request) -> Reply:
        self.asked.append(request)
        match request:
            case ReadBench():
                return BenchReading(SUPPLY_V + self.idle_a * LEAD_OHM, self.idle_a, False, None, {})
            case Fire():
                return self._shot(request)
        return None

    @property
    def fired(self) -> list[Fire]:
        return [one for one in self.asked if isinstance(one, Fire)]

    def _shot(self, fire: Fire) -> Shot:
        out = fire.level_vrms * GAIN if fire.level_vrms <= self.gone_above_vrms else 0.0
        peak_v = math.sqrt(2.0) * out
        outputs = [name for name in fire.full_scale_v if name != "ch3"]
        amps = self.idle_a + len(outputs) * 2.0 * RAIL_V * peak_v / (math.pi * OHM) / SUPPLY_V
        burst_s, rate = fire.cycles / fire.frequency_hz, 200.0 * fire.frequency_hz
        n = round((fire.last_s or 0.0) * rate)
        times = burst_s - 0.0004 - np.arange(n, 0, -1) / rate
        noise = np.random.default_rng(len(self.asked)).normal(0.0, 0.005, n)
        volts = peak_v * np.sin(2.0 * math.pi * fire.frequency_hz * times) + noise
        records = {
            name: Record(
                volts if name != "ch3" else np.full(n, SUPPLY_V), 1 / rate, float(times[0]), 0.01, full, False, 12
            )
            for name, full in fire.full_scale_v.items()
        }
        return Shot(
            len(self.fired), fire, fire.level_vrms, records, 0, False, None,
            SUPPLY_V + amps * LEAD_OHM, amps * self.meter_a,
        )  # fmt: skip


def declared(tmp_path: Path, rail: bool = True) -> tuple[Unit, Bench]:
    texts: dict[Kind, str] = dict(SOUND)
    if not rail:
        texts["bench"] = texts["bench"].replace('ch3 = "rail"\n', "").replace("[input.ch3]\nfactor = 10.0\n", "")
    paths = write(tmp_path, texts)
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    return inputs.units[0].loaded.model, inputs.bench.model


def earlier(steady: bool = True, part: float = 1.0, **other: Any) -> dict[str, Any]:
    """A finished point, as the results have it: `part` of the just unclipped power at its accepted level."""
    out = RAIL_V / math.sqrt(2.0) * math.sqrt(part)
    return {
        "id": "p007", "measurement": "output_power", "outcome": "measured", "load": "8R", "supply_nominal_v": 24.0,
        "frequency_hz": 1000.0, "channels_driven": ["A"], "steady": steady, "cycles": 2000 if steady else 20,
        "stop_limit": 1.0, "stopped_by": "thd", "level_vrms": out / GAIN,
        "channels": [{"channel": "A", "output_vrms": out}],
    } | other  # fmt: skip


def job(tmp_path: Path, rows: tuple[dict[str, Any], ...], parts: tuple[float, ...], rail: bool = True) -> ValueJob:
    unit, bench = declared(tmp_path, rail)
    one = paper_job("steady_efficiency", frequencies_hz=(1000.0,), power_parts=parts)
    limits = replace(one.limits, burst_j=500.0)
    return replace(one, context=Context(unit, bench, bench.bay[0], rows), limits=limits)


def drive(one: ValueJob, bench: ClassB) -> Values:
    talk, reply = steady_efficiency(one), cast(Reply, None)
    try:
        while True:
            reply = bench.answer(talk.send(reply))
    except StopIteration as end:
        return cast(Values, end.value)


def points_of(found: Values) -> dict[float, dict[str, Any]]:
    return {one["part"]: one for one in found.extra["efficiency_points"]}


@pytest.mark.parametrize("rail", [True, False])
def test_ideal_class_b(rail: bool, tmp_path: Path) -> None:
    """eta = pi x / 4 (textbook): 78.54, 45.34, 39.27, 27.77 % at full, 1/3, 1/4, 1/8 power; volts at the unit by the
    record of the rail or by the supply's meter less the lead's drop (Ohm's law)."""
    found = drive(job(tmp_path, (earlier(),), tuple(IDEAL), rail), ClassB())
    assert found.reason is None
    for part, one in points_of(found).items():
        assert one["efficiency_pct"] == pytest.approx(IDEAL[part], abs=0.02)
        assert 0.5 < one["expanded_uncertainty_pct"] < 4.0
        assert one["at_unit_v"] == pytest.approx(SUPPLY_V, abs=0.002)
        assert one["power_w"]["A"] == pytest.approx(part * RAIL_V**2 / 2 / OHM, rel=1e-3)
        assert one["heat_w"] == pytest.approx(one["power_w"]["A"] * (100 / IDEAL[part] - 1), rel=2e-3)
        assert one["seen"].startswith("meter window")
    names = {v.name: v.value for v in found.values}
    assert names["efficiency at 1/8 power"] == pytest.approx(27.768, abs=0.02)
    assert names["idle power"] == 0.0


def test_idle_current_is_counted_in_and_told(tmp_path: Path) -> None:
    """Class AB: idle 0.5 A x 24 V = 12 W more are drawn; at 1/8 power eta = 7.031 / (25.322 + 12), by hand 18.84 %."""
    found = drive(job(tmp_path, (earlier(),), (0.125,)), ClassB(idle_a=0.5))
    (one,) = points_of(found).values()
    assert one["efficiency_pct"] == pytest.approx(18.84, abs=0.02)
    assert next(v.value for v in found.values if v.name == "idle power") == pytest.approx(12.0, abs=0.01)


def test_a_meter_off_by_its_half_width_stays_within_the_interval(tmp_path: Path) -> None:
    found = drive(job(tmp_path, (earlier(),), (1.0, 0.125)), ClassB(meter_a=1.01))
    for part, one in points_of(found).items():
        assert abs(one["efficiency_pct"] - IDEAL[part]) < one["expanded_uncertainty_pct"]


def test_uncertainty_by_hand(tmp_path: Path) -> None:
    """JCGM 100, 5.1.2, relative: volts twice (range 1 %), rail probe 2 % and range 2 % as the bench's file has them by
    default, amps 1 % + 0.01 A, product of means 0.2337 x R I / V: rectangular, root of the sum of squares."""
    found = drive(job(tmp_path, (earlier(),), (1.0,)), ClassB())
    (one,) = points_of(found).values()
    amps = 56.25 / 0.785398 / 24.0
    halves = (2 * 1.0, 2.0, 2.0, 1.0 + 1.0 / amps, 100 * 0.01 * amps * 0.2337 / 24.0)
    combined = math.sqrt(sum(h**2 for h in halves)) / math.sqrt(3.0) * 0.785398
    assert one["expanded_uncertainty_pct"] / one["coverage_factor"] == pytest.approx(combined, rel=0.01)


def test_steady_row_is_preferred_to_the_longest_burst(tmp_path: Path) -> None:
    rows = (earlier(False, 0.9, id="p001"), earlier(True, 0.8, id="p002"), earlier(False, 1.0, id="p003", cycles=50))
    assert points_of(drive(job(tmp_path, rows, (1.0,)), ClassB()))[1.0]["power_w"]["A"] == pytest.approx(45.0, rel=1e-3)
    bursts = (rows[0], rows[2])
    found = drive(job(tmp_path, bursts, (1.0,)), ClassB())
    assert points_of(found)[1.0]["power_w"]["A"] == pytest.approx(56.25, rel=1e-3)
    assert "50 cycles, point p003" in str(found.values[0].reason)


def test_a_power_that_a_protection_ended_is_told(tmp_path: Path) -> None:
    row = earlier(True, 0.1, stopped_by="protection")
    found = drive(job(tmp_path, (row,), (0.125,)), ClassB())
    assert "which ended by protection" in str(found.values[0].reason)
    assert "ended by" not in str(drive(job(tmp_path, (earlier(),), (0.125,)), ClassB()).values[0].reason)


OTHERS: list[dict[str, Any]] = [
    {"outcome": "not_measured", "level_vrms": None}, {"load": "4R"}, {"frequency_hz": 50.0},
    {"channels_driven": ["A", "B"]}, {"supply_nominal_v": 28.0}, {"measurement": "gain"},
]  # fmt: skip


@pytest.mark.parametrize("other", OTHERS, ids=lambda o: ",".join(o))
def test_without_a_row_of_its_own_nothing_is_driven(other: dict[str, Any], tmp_path: Path) -> None:
    bench = ClassB()
    found = drive(job(tmp_path, (earlier(**other),), (1.0,)), bench)
    assert "nothing says what is full" in str(found.reason)
    assert bench.asked == []


def test_parts_rise_and_a_protection_ends_them(tmp_path: Path) -> None:
    """Gone at full: 1/8 and 1/3 stand, full has the reason; no tone after it."""
    bench = ClassB(gone_above_vrms=0.9)
    found = drive(job(tmp_path, (earlier(),), (1.0, 1 / 3, 0.125)), bench)
    assert sorted(points_of(found)) == [0.125, 1 / 3]
    assert [v.reason for v in found.values if v.value is None] == ["the output went away: a protection"]
    levels = [fire.level_vrms for fire in bench.fired]
    assert levels == sorted(levels)
    assert found.reason is None


def test_what_is_asked(tmp_path: Path) -> None:
    """Counted tones of 2 s, the last 0.2 s recorded, ten times as long a rest after each."""
    bench = ClassB()
    drive(job(tmp_path, (earlier(),), (1.0, 0.125)), bench)
    assert {(f.cycles, f.frequency_hz, f.last_s, f.purpose) for f in bench.fired} == {(2000, 1000.0, 0.2, "efficiency")}
    rests = [r.seconds for r in bench.asked if isinstance(r, Rest)]
    assert rests.count(20.0) == 2


def test_a_load_that_bears_less_is_left_alone(tmp_path: Path) -> None:
    """100 J in 2 s are 50 W: 56.25 W are not asked of it, 1/8 of them are."""
    one = job(tmp_path, (earlier(),), (1.0, 0.125))
    found = drive(replace(one, limits=replace(one.limits, burst_j=100.0)), ClassB())
    assert sorted(points_of(found)) == [0.125]
    assert any("would pass" in str(v.reason) for v in found.values)


def test_it_is_known_as_driven_and_its_row_is_plain_json(tmp_path: Path) -> None:
    assert VALUE_MEASUREMENTS["steady_efficiency"] is steady_efficiency
    assert "steady_efficiency" in DRIVEN
    found = drive(job(tmp_path, (earlier(),), (1.0,)), ClassB())
    assert json.loads(json.dumps(found.extra, allow_nan=False)) == found.extra


# --- plan


def planned(stage: str, hardware: str = HARDWARE) -> dict[Kind, str]:
    return dict(SOUND) | {  # type: ignore[return-value]
        "plan": SOUND["plan"] + stage,
        "bench": changed("bench", "[hardware]\n", hardware),
    }


def test_points_and_cost(tmp_path: Path) -> None:
    """Three parts by default, one point a tone; by hand 3 tones of 2 s with 20 s of rest; 2 x 900 x 2/pi / 8 W drawn
    through 85 % at 24 V, and 1.2 A of idle. Heat of each part (textbook class B): the worst up to it, with a fifth
    more power than declared, from a rail of 1.1 x 30 V through 85 %; grid of levels, numpy."""
    paths = write(tmp_path, planned(STAGE + "frequencies_hz = [100.0, 1000.0]\n"))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    unit, bench = inputs.units[0].loaded.model, inputs.bench.model
    points = expand(inputs.plan.model, unit, bench)
    ours = [p for p in points if isinstance(p, ValuePoint)]
    assert [(p.frequencies_hz, p.power_parts) for p in ours] == [
        ((hz,), (1.0, 1.0 / 3.0, 0.125)) for hz in (1000.0, 100.0)
    ]
    cost = estimates(points, unit, bench)[-1]
    assert (cost.shots, cost.window is not None) == (3, True)
    assert cost.time_s == pytest.approx(3 * 22.5, rel=0.03)
    parts, ohms = (1.0, 1.0 / 3.0, 0.125), (7.98, 8.02)
    heat_w = 0.0
    for part in parts:
        crest_v = np.linspace(0.0, 30.0 * math.sqrt(1.2 * part), 20_001)
        heat_w += sum(float(np.max(2.0 / math.pi * 33.0 / 0.85 * crest_v / r - crest_v**2 / 2.0 / r)) for r in ohms)
    assert cost.energy_unit_j == pytest.approx(2.0 * (heat_w + 3 * 1.2 * 24.0), rel=1e-5)
    assert cost.energy_load_j == pytest.approx(2.0 * sum(parts) * 1.2 * 450.0 * sum(1.0 / r for r in ohms), rel=1e-6)
    assert cost.supply_a == pytest.approx(2 * 900 * 2 / math.pi / 8 / 0.85 / 24 + 1.2, rel=0.04)


@pytest.mark.parametrize(
    ("stage", "hardware", "keys"),
    [
        (STAGE, HARDWARE, []),
        (STAGE, "[hardware]\n", ["hardware." + k for k in ("cut_off", "fireproof_base", "fuse_per_supply_lead",
                                                            "load_thermostat")]),
        (STAGE + "options = { power_parts = [0.125] }\n", "[hardware]\n", []),
        (STAGE + "frequencies_hz = [10.0]\n", HARDWARE, ["stage[1].frequencies_hz[0]"]),
        (STAGE.replace("8R", "4R"), HARDWARE, ["load.4R.burst_j"]),
        (STAGE + 'drives = ["20 cycles"]\n', HARDWARE, ["stage[1].drives"]),
    ],
)  # fmt: skip
def test_refusals(stage: str, hardware: str, keys: list[str], tmp_path: Path) -> None:
    """Up to 1/8 power needs no declared hardware; 2 s of 30 V peak into 4 ohm are 236 J, the load takes 150 J."""
    assert sorted(p.key for p in problems(write(tmp_path, planned(stage, hardware)))) == keys
