"""A steady tone read at its end: points, capture, cost, refusals, and `output_power` against closed forms on paper."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.analysis.steady import read_steady
from sequencer.measurements.energy import load_j
from sequencer.measurements.output_power import output_power
from sequencer.measurements.power_job import GainProof, PowerJob
from sequencer.measurements.power_rows import rows
from sequencer.measurements.predict import Learned, knowledge
from sequencer.measurements.requests import Fire, Shot
from sequencer.plan.estimate import estimates, rest_s
from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import Point
from sequencer.plan.window import steady_record_s, steady_window
from tests.sequencer.paper_unit import PaperBench, PaperUnit, drive
from tests.sequencer.sound_inputs import SOUND, Kind, changed, problems, write
from tests.sequencer.test_output_power_truth import BANDED, OHM, job, point, rail_at_mid_last_cycle

HARDWARE = "[hardware]\nload_thermostat = true\nfuse_per_supply_lead = true\nfireproof_base = true\ncut_off = true\n"


def steady_point(seconds: float = 2.0, frequency_hz: float = 1000.0, **other: Any) -> Point:
    return point(round(seconds * frequency_hz), frequency_hz, steady=True, confirm=2, **other)


@dataclass
class SteadyPaper(PaperBench):
    """Answers steady tones too: a record of the tone's last part alone. Of the sag, the closed form of a rail at rest
    under the mean class B current stands for the whole record."""

    supply_a: float = 7.5
    gone_after_s: float = math.inf

    def _shot(self, fire: Fire) -> Shot:
        shot = super()._shot(fire) if fire.last_s is None else self._end_of(fire)
        return replace(shot, supply_a=self.supply_a)

    def _end_of(self, fire: Fire) -> Shot:
        number, dt = len(self.fired), 1.0 / (500.0 * fire.frequency_hz)
        burst_s = fire.cycles / fire.frequency_hz
        n = round((fire.last_s or 0.0) / dt)
        start = burst_s - n * dt - 0.0004
        times = (start + dt * np.arange(n)) * (1.0 + 1e-6 * self.clock_ppm)
        rng = np.random.default_rng([self.seed, number])
        at_rest = replace(self.unit, sag=None, clip_pos_v=self.rail_at_rest(), clip_neg_v=self.rail_at_rest())

        def seen(name: str) -> Any:
            if name == "ch3":
                return np.full(n, self.rail_v - 1.0)
            volts = at_rest.output(times, fire.level_vrms, fire.frequency_hz, fire.cycles)
            return np.where(times < self.gone_after_s, volts, 0.0)

        records = {name: self._record(seen(name), scale, start, dt, rng) for name, scale in fire.full_scale_v.items()}
        return Shot(number, fire, fire.level_vrms, records, number * 10**9, False, None, self.rail_v, 1.0)

    def rail_at_rest(self) -> float:
        if self.unit.sag is None:
            return self.unit.clip_pos_v
        source_ohm, tau_s, _ = self.unit.sag
        return rail_at_mid_last_cycle(self.unit.clip_pos_v, source_ohm, tau_s, 2000, 1000.0)


def measure(bench: SteadyPaper, one: Point, learned: tuple[Learned, ...] = (), **other: Any) -> dict[str, Any]:
    the_job: PowerJob = replace(job((one,)), **other)
    return rows(drive(output_power(the_job, None, learned), bench))[0]


LEARNED = (Learned(OHM, 1000.0, 20, 24.0, 0.0, soft=False),)


# --- power


def test_hard_clip_on_a_stiff_rail_gives_what_twenty_cycles_give() -> None:
    """Closed form of the clipped sine: P(1 %) = 1.0476998 x Vclip^2/2R (harmonics to the 19th), whatever the length."""
    row = measure(SteadyPaper(PaperUnit()), steady_point(), LEARNED)
    assert (row["steady"], row["stopped_by"], row["outcome"]) == (True, "thd", "measured")
    channel = row["channels"][0]
    assert channel["power_at_limit_w"] == pytest.approx(BANDED[1.0] * 30.0**2 / (2 * OHM), rel=0.002)
    assert channel["thd_pct"] <= 1.0
    assert row["record_s"] == pytest.approx(0.2, rel=0.01)
    assert row["confirm_shots"] == 2


def test_distortion_with_noise_is_of_the_whole_record() -> None:
    """THD+N of 1 % with 5 mV of noise on 21 Vrms (0.02 %): the hard clip's power, closed form, within 0.5 %."""
    row = measure(SteadyPaper(PaperUnit()), steady_point(quantity="thd_n"), LEARNED)
    assert row["stopped_by"] == "thd_n"
    assert row["channels"][0]["power_at_limit_w"] == pytest.approx(BANDED[1.0] * 30.0**2 / (2 * OHM), rel=0.005)


def test_soft_rail_gives_less_than_twenty_cycles_by_the_closed_form() -> None:
    """Rail under the mean class B current, |i| = (2/pi) of its crest: V(t) as in rail_at_mid_last_cycle, at 2 s at
    rest, after 20 cycles not yet: tau 20 ms, 8 % of sag at rest."""
    source_ohm = 0.08 / 0.92 * OHM * math.pi / 2
    unit = PaperUnit(sag=(source_ohm, 0.02, OHM))
    steady = measure(SteadyPaper(unit), steady_point(), LEARNED)["channels"][0]["power_at_limit_w"]
    burst = measure(SteadyPaper(unit, per_cycle=500), point(20))["channels"][0]["power_at_limit_w"]
    rail_v = rail_at_mid_last_cycle(30.0, source_ohm, 0.02, 2000, 1000.0)
    assert steady == pytest.approx(BANDED[1.0] * rail_v**2 / (2 * OHM), rel=0.003)
    assert steady < burst


def test_search_begins_below_the_bursts_result_and_needs_few_levels() -> None:
    """After one harmless tone (2 % of the power) from about 1.5 dB below the learned onset; at most 5 levels there,
    no twin; no more than 0.3 dB over the 1 % of a hard clip (0.2524 dB above its onset, closed form)."""
    bench = SteadyPaper(PaperUnit())
    measure(bench, steady_point(), LEARNED)
    tones = [fire for fire in bench.fired if fire.last_s is not None]
    assert [fire.purpose for fire in bench.fired if fire.last_s is None] == ["gain proof"]
    onset_vrms = 30.0 / math.sqrt(2.0) / 20.0
    assert 20 * math.log10(tones[0].level_vrms / onset_vrms) < -15.0
    assert 20 * math.log10(tones[1].level_vrms / onset_vrms) == pytest.approx(-1.5, abs=0.7)
    assert len({round(fire.level_vrms, 4) for fire in tones[1:]}) <= 5
    assert max(fire.level_vrms for fire in tones) <= onset_vrms * 10 ** ((0.2524 + 0.3) / 20)


def test_bounds_are_wide_downwards_only() -> None:
    known = knowledge(0.0, LEARNED, load_ohm=OHM, frequency_hz=1000.0, cycles=2000, supply_v=24.0, steady=True)
    assert (known.low_db, known.high_db) == (-1.5, 0.5)


def test_an_output_that_goes_within_the_record_is_a_protection() -> None:
    """At 1.9 of 2 s the output goes: 20 log10 of a block without tone lies more than 10 dB below its gain."""
    bench = SteadyPaper(PaperUnit(), gone_after_s=1.9)
    row = measure(bench, steady_point(), LEARNED)
    assert row["stopped_by"] == "protection"
    assert len([f for f in bench.fired if f.last_s is not None]) == 1


@pytest.mark.parametrize(("rail_input", "at_unit_v"), [("ch3", 23.0), (None, 24.0 - 7.5 * 0.02)])
def test_efficiency_is_of_the_meter_window(rail_input: str | None, at_unit_v: float) -> None:
    """P/(V I), by hand: volts of the rail's record (23 V), else 24 V less 7.5 A x 20 mohm in the lead (Ohm's law)."""
    row = measure(SteadyPaper(PaperUnit()), steady_point(), LEARNED, rail_input=rail_input, lead_ohm=0.02)
    (rail,) = row["rails"]
    assert rail["seen"] == "meter window"
    assert (rail["at_supply_v"], rail["amps"]) == (24.0, 7.5)
    assert rail["at_unit_v" if rail_input else "less_lead_v"] == pytest.approx(at_unit_v, abs=0.01)
    assert (rail["at_unit_v"] is None) == (rail_input is None)
    by_hand = 100 * row["channels"][0]["power_w"] / (at_unit_v * 7.5)
    assert row["efficiency_pct"] == pytest.approx(by_hand, rel=1e-3)
    if rail_input:
        assert rail["sag_pct"] == pytest.approx(100 * 1.0 / 24.0, abs=0.3)


def test_efficiency_is_null_where_nothing_is_drawn_and_for_bursts() -> None:
    assert measure(SteadyPaper(PaperUnit(), supply_a=0.0), steady_point(), LEARNED)["efficiency_pct"] is None
    assert measure(SteadyPaper(PaperUnit()), point(20))["efficiency_pct"] is None


def test_a_proof_without_the_rail_is_made_again() -> None:
    the_job = replace(job((steady_point(),)), rail_input="ch3")
    bench = SteadyPaper(PaperUnit())
    outcome = drive(output_power(the_job, GainProof(0.02, {"A": 26.02}, 1), LEARNED), bench)
    assert [f.purpose for f in bench.fired].count("gain proof") == 1
    assert outcome.proof.rail_v == pytest.approx(24.0, abs=0.05)


def test_joules_are_those_of_the_whole_tone() -> None:
    """P x 2 s, though 0.2 s are recorded."""
    outcome = drive(output_power(job((steady_point(),)), None, LEARNED), SteadyPaper(PaperUnit()))
    judged = outcome.judged[0]
    watts = judged.channels["A"].last.rms_ac_v ** 2 / OHM
    assert load_j(outcome.job, judged) == pytest.approx(2.0 * watts, rel=1e-3)


# --- reading


@pytest.mark.parametrize("ppm", [-100.0, 0.0, 100.0])
@pytest.mark.parametrize("hertz", [50.0, 1000.0, 6300.0])
def test_record_of_a_tone_with_two_harmonics(hertz: float, ppm: float) -> None:
    """By construction: 10 V rms about 0.5 V, 0.3 % second and 0.4 % third: THD 0.5 % (root of the sum of squares)."""
    rate = 500_000.0
    times = 1.7 + np.arange(round(steady_record_s(hertz) * rate)) / rate
    angle = 2 * math.pi * hertz * (1 + ppm * 1e-6) * times
    volts = 0.5 + math.sqrt(2) * 10 * (np.sin(angle) + 0.003 * np.sin(2 * angle + 1) + 0.004 * np.sin(3 * angle))
    volts += np.random.default_rng(5).normal(0.0, 0.005, volts.size)
    seen = read_steady(Record(volts, 1 / rate, 1.7, 0.01, 20.0, False, 12), hertz, 3)
    assert seen.whole.rms_ac_v == pytest.approx(10 * math.sqrt(1 + 0.005**2), rel=1e-4)
    assert seen.whole.offset_v == pytest.approx(0.5, abs=1e-3)
    assert seen.whole.thd == pytest.approx(0.005, rel=0.01)
    assert seen.frequency_hz / hertz - 1 == pytest.approx(ppm * 1e-6, abs=3e-6)
    assert len(seen.rows) * seen.block_cycles <= steady_record_s(hertz) * hertz + 0.1
    assert {round(row.rms_ac_v, 2) for row in seen.rows} == {10.0}


def test_a_record_without_a_whole_cycle_is_refused() -> None:
    with pytest.raises(ValueError, match="no whole cycle"):
        read_steady(Record(np.zeros(100), 1e-5, 0.0, 0.01, 20.0, False, 12), 50.0, 3)


# --- points and capture


def loaded(tmp_path: Path, texts: dict[Kind, str]) -> tuple[Plan, Unit, Bench]:
    paths = write(tmp_path, texts)
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    return inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model


def asking(drives: str, **other: str) -> dict[Kind, str]:
    texts = dict(SOUND) | {"plan": changed("plan", '"20 cycles", "1 cycle"', drives)}
    texts["bench"] = changed("bench", "[hardware]\n", HARDWARE)
    return texts | other  # type: ignore[operator, no-any-return]


def test_steady_tones_come_after_all_bursts_of_their_load_and_frequency(tmp_path: Path) -> None:
    texts = asking('"steady 2 s", "20 cycles", "steady 0.5 s", "1 cycle"')
    texts["plan"] = texts["plan"].replace("[1000.0]", "[1000.0, 100.0]")
    points = [p for p in expand(*loaded(tmp_path, texts)) if isinstance(p, Point)]
    first = [p for p in points if p.load == "8R" and p.frequency_hz == 1000.0]
    assert [(p.drive, p.cycles) for p in first] == [
        ("1 cycle", 1), ("20 cycles", 20), ("steady 0.5 s", 500), ("steady 2 s", 2000),
    ]  # fmt: skip
    hundred = [p.cycles for p in points if p.frequency_hz == 100.0 and p.steady and p.load == "8R"]
    assert hundred == [50, 200]


def test_confirms_and_resolution_spare_the_unit(tmp_path: Path) -> None:
    """2 tones, into the lowest load 1 and 0.1 dB; the stage's own number is for bursts (common practice, no source)."""
    texts = asking('"20 cycles", "steady 2 s"')
    texts["plan"] = texts["plan"].replace("stop_limit", "confirm = 4\nstop_limit")
    points = [p for p in expand(*loaded(tmp_path, texts)) if isinstance(p, Point)]
    assert {(p.load, p.steady): (p.confirm, p.resolution_db) for p in points} == {
        ("8R", False): (4, 0.05), ("8R", True): (2, 0.05), ("4R", False): (4, 0.05), ("4R", True): (1, 0.1),
    }  # fmt: skip


@pytest.mark.parametrize(("hertz", "harmonics"), [(20.0, 20), (50.0, 20), (1000.0, 20), (10000.0, 2)])
def test_window_holds_the_end_of_the_tone_and_no_more(hertz: float, harmonics: int, tmp_path: Path) -> None:
    """0.2 s or 10 cycles, 2.5 samples a cycle and harmonic; 100 ppm of a clock either way leave it inside the tone."""
    bench = loaded(tmp_path, asking('"steady 2 s"'))[2].model_copy()
    depth = bench.digitiser.model_copy(update={"rates_hz": (1e4, 1e5, 2e5, 5e5, 1e6)})
    bench = bench.model_copy(update={"digitiser": depth})
    window = steady_window(bench, hertz, harmonics, round(2.0 * hertz))
    assert window.record_s >= max(0.2, 10.0 / hertz) - 1e-9
    assert window.sample_rate_hz >= 2.5 * harmonics * hertz
    assert window.samples <= depth.samples_max
    assert window.before_s == 0.0
    for ppm in (-1e-4, 1e-4):
        assert (window.delay_s + window.record_s) * (1 + ppm) <= 2.0
    assert window.delay_s + window.record_s == pytest.approx(2.0, abs=1e-3)


# --- cost and refusals


def test_cost_of_a_steady_point(tmp_path: Path) -> None:
    """By hand: 30 V at 1 % (x 1.0476 by the closed form, and 0.3 dB over) into 7.98 ohm, 2 s: about 118 J a tone and
    channel; rest 20 s; class B amps: 2 x 30 x 30 x (2/pi) / (8 x 0.85 x 24), about 7 A, and idle."""
    points = expand(*(files := loaded(tmp_path, asking('"20 cycles", "steady 2 s"'))))
    costs = dict(zip(points, estimates(points, files[1], files[2]), strict=True))
    one = next(p for p in points if isinstance(p, Point) and p.steady and p.load == "8R")
    assert rest_s(files[1], one) == 20.0
    assert costs[one].burst_j == pytest.approx(2 * 1.09 * 30.0**2 / 2 / 7.98, rel=0.04)
    assert costs[one].time_s == pytest.approx(costs[one].shots * 22.5, rel=0.01)
    assert costs[one].supply_a == pytest.approx(2 * 30 * 30 * 2 / math.pi / (8 * 0.85 * 24) + 1.2, rel=0.08)
    assert costs[one].window is not None
    assert costs[one].window.delay_s > 1.7


REFUSED = [
    ('"steady 2 s"', "[hardware]\n", "[hardware]\n", ["hardware.load_thermostat", "hardware.fuse_per_supply_lead",
      "hardware.fireproof_base", "hardware.cut_off", "load.4R.burst_j"]),
    ('"steady 2 s"', "[hardware]\n", HARDWARE, ["load.4R.burst_j"]),
    ('"steady 1 s"', "[hardware]\n", HARDWARE, []),
    ('"steady 1 s"', "[hardware]\n", HARDWARE.replace("cut_off = true\n", ""), ["hardware.cut_off"]),
]  # fmt: skip


@pytest.mark.parametrize(("drives", "old", "new", "keys"), REFUSED)
def test_what_a_bench_must_declare(drives: str, old: str, new: str, keys: list[str], tmp_path: Path) -> None:
    """2 s of 30 V peak into 4 ohm are about 240 J, and the load takes 150 J in a burst: half the time may be had."""
    texts = asking(drives)
    texts["bench"] = changed("bench", old, new)
    assert sorted(p.key for p in problems(write(tmp_path, texts))) == sorted(keys)


@pytest.mark.parametrize(
    ("drive_text", "hertz", "words"),
    [
        ("steady 0.3 s", "1000.0", "at least 0.5 s"),
        ("steady 0.6 s", "30.0", "at least 0.666667 s"),
        ("steady 9 s", "8000.0", "at most 6.2 s"),
    ],
)
def test_too_short_and_too_long(drive_text: str, hertz: str, words: str, tmp_path: Path) -> None:
    """Twice 10 cycles of 30 Hz are 0.667 s; 50,000 counted cycles of 8 kHz are 6.25 s."""
    texts = asking(f'"{drive_text}"')
    texts["plan"] = texts["plan"].replace("[1000.0]", f"[{hertz}]")
    found = problems(write(tmp_path, texts))
    assert [words in p.remedy for p in found if p.key == "stage[0].drives[0]"] == [True]
