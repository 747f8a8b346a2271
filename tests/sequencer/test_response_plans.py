"""The measurements of response on paper: their tones, what they cost at most, what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sequencer.make_safe_now import all_contacts
from sequencer.measurements.registry import VALUE_MEASUREMENTS
from sequencer.night.wiring import bay_contacts
from sequencer.plan.estimate import estimates
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import ValuePoint
from tests.sequencer.paper_tones import PaperTones, apart_bench, job, unit
from tests.sequencer.paper_values import drive
from tests.sequencer.sound_inputs import SOUND, Kind, changed, problems, write

BANDWIDTH = 'name = "band"\nmeasurement = "power_bandwidth"\nloads = ["8R"]\n'
IMPEDANCE = 'name = "behind"\nmeasurement = "output_impedance"\nloads = ["8R"]\n'
RESPONSE = 'name = "curve"\nmeasurement = "frequency_response"\nloads = ["8R"]\n'
RATING = "[[rating]]\nload_ohm = 8.0\nsupply_v = 24.0\npower_w = 50.0\nthd_pct = 0.5\n"


def texts(stage: str, unit_more: str = RATING, bench: str = SOUND["bench"]) -> dict[Kind, str]:
    head = SOUND["plan"].split("[[stage]]")[0]
    return {"plan": f"{head}[[stage]]\n{stage}", "unit": f"{SOUND['unit']}{unit_more}", "bench": bench}


def loaded(folder: Path, stage: str, unit_more: str = RATING) -> tuple[Plan, Unit, Bench]:
    paths = write(folder, texts(stage, unit_more))
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    return inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model


def points(folder: Path, stage: str) -> list[ValuePoint]:
    return [p for p in expand(*loaded(folder, stage)) if isinstance(p, ValuePoint)]


def test_all_tones_are_in_one_point_and_within_the_passband(tmp_path: Path) -> None:
    """Thirds of an octave from 20 Hz to 20 kHz are 31 (ISO 266)."""
    (point,) = points(tmp_path, RESPONSE)
    assert len(point.frequencies_hz) == 31
    assert (point.frequencies_hz[0], point.frequencies_hz[-1], point.small_power_w) == (20.0, 20000.0, 1.0)


def test_the_second_load_is_the_next_lower_one(tmp_path: Path) -> None:
    assert [p.second_load for p in points(tmp_path, IMPEDANCE)] == ["4R"]
    (from_lowest,) = points(tmp_path, IMPEDANCE.replace("8R", "4R"))
    assert from_lowest.second_load is None


@pytest.mark.parametrize(
    ("stop", "quantity", "limit_pct", "band_hz"),
    [
        ("", "thd", None, (20.0, 80000.0)),
        ("stop_limit = { thd_pct = 0.3 }\n", "thd", 0.3, (20.0, 80000.0)),
        ("stop_limit = { thd_pct = 0.3, band_hz = [20.0, 40000.0] }\n", "thd", 0.3, (20.0, 40000.0)),
        ("stop_limit = { thd_n_pct = 0.3 }\n", "thd_n", 0.3, (20.0, 20000.0)),
    ],
)
def test_what_a_power_bandwidth_is_judged_by(
    tmp_path: Path, stop: str, quantity: str, limit_pct: float | None, band_hz: tuple[float, float]
) -> None:
    """Nothing said: the rating's limit, within 80 kHz, so that 20 kHz has harmonics (common practice)."""
    (point,) = points(tmp_path, f"{BANDWIDTH}frequencies_hz = [1000.0]\n{stop}")
    assert (point.quantity, point.limit_pct, point.band_hz) == (quantity, limit_pct, band_hz)


BROKEN = [
    (f"{RESPONSE}frequencies_hz = [1000.0, 25000.0]\n", "frequencies_hz", "passband is 20 to 20000 Hz"),
    (f"{RESPONSE}options = {{ small_power_w = 0.0 }}\n", "options.small_power_w", "a number above 0"),
    (f'{RESPONSE}options = {{ second_load = "4R" }}\n', "options.second_load", "says nothing to frequency_response"),
    (f"{RESPONSE}stop_limit = {{ thd_pct = 1.0 }}\n", "stop_limit", "says nothing to frequency_response"),
    (f'{IMPEDANCE}options = {{ second_load = "2R" }}\n', "options.second_load", "the bench has 8R, 4R"),
    (f'{IMPEDANCE}options = {{ second_load = "8R" }}\n', "options.second_load", "one of lower ohms"),
    (f"{BANDWIDTH}stop_limit = {{ thd_pct = [1.0, 0.3] }}\n", "stop_limit", "judged by one limit"),
    (f"{BANDWIDTH}stop_limit = {{ thd_pct = 1.0, band_hz = [20.0, 20000.0] }}\n", "band_hz", "no harmonic of 20000 Hz"),
    (f'{BANDWIDTH}drives = ["8 cycles"]\n', "drives", "says nothing to power_bandwidth"),
]


@pytest.mark.parametrize(("stage", "key", "remedy"), BROKEN)
def test_what_is_refused_names_its_key_and_remedy(tmp_path: Path, stage: str, key: str, remedy: str) -> None:
    found = problems(write(tmp_path, texts(stage)))
    assert any(key in one.key and remedy in one.remedy for one in found), found


@pytest.mark.parametrize(
    ("old", "new", "key", "remedy"),
    [
        ('"101", "102"]', '"101", "102", "205"]', "bay[0].input_contacts.A", "has this contact already"),
        ('burst_j = 150.0\n[load.4R]', 'burst_j = 5.0\n[load.4R]', "load.8R.burst_j", "power_bandwidth into 8R takes"),
    ],
)  # fmt: skip
def test_what_is_refused_of_the_bench(tmp_path: Path, old: str, new: str, key: str, remedy: str) -> None:
    """A contact that a load has already; half the power, at 20 Hz for 0.4 s, in more joules than it bears."""
    bench = changed("bench", old, new).replace(
        'supply_contact = "201"\n', 'supply_contact = "201"\ninput_contacts = { A = "205", B = "206" }\n'
    )
    bench = bench.replace('name = "2"\nsupply_contact = "205"', 'name = "2"\nsupply_contact = "209"')
    found = problems(write(tmp_path, texts(BANDWIDTH, bench=bench)))
    assert any(key in one.key and remedy in one.remedy for one in found), found


def test_the_contacts_of_inputs_are_closed_with_the_bay_and_opened_when_made_safe() -> None:
    bench = apart_bench()
    assert {"205", "206"} <= set(bay_contacts(bench.bay[0]))
    assert {"205", "206"} <= set(all_contacts(bench))


@pytest.mark.parametrize(
    "measurement", ["frequency_response", "channel_balance", "crosstalk", "output_impedance", "power_bandwidth"]
)
def test_no_point_costs_more_than_its_estimate(measurement: str) -> None:
    """Shots, seconds and joules into the loads of a paper unit as its file says: V^2/R t of each burst."""
    bench = apart_bench()
    stage: dict[str, Any] = {"name": "one", "measurement": measurement, "loads": ("8R",)}
    asked = Plan.model_validate({"format": 1, "name": "costs", "stage": (stage,)})
    (point,) = (p for p in expand(asked, unit(), bench) if isinstance(p, ValuePoint))
    paper = PaperTones(gain={"ch1": lambda hz: 20.0, "ch2": lambda hz: 20.0}, loads={"8R": 8.05, "4R": 4.04})
    made = job(measurement, point.frequencies_hz, second_load=point.second_load, band_hz=point.band_hz)
    found = drive(VALUE_MEASUREMENTS[measurement](made), paper)
    assert found.reason is None
    (most,) = estimates([point], unit(), bench)
    load_j = sum((20.0 * f.level_vrms) ** 2 / 4.0 * f.cycles / f.frequency_hz for f in paper.fired)  # two of 8 ohm
    assert found.shots == len(paper.fired) <= most.shots
    assert paper.now_s <= most.time_s
    assert load_j <= most.energy_load_j
    assert max(f.level_vrms for f in paper.fired) <= most.level_vrms
