"""Whole nights in which bench or unit is not what the files say: a generator left loud, in the other unit and at the
other load, or turned so meanwhile; a probe of 1:1 taken for 10:1; a unit of far more gain. What the generator was told
is read as its programming page prints it, what came out by the world's own journal: never above what is allowed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from unittest import mock

import pytest

from sequencer.plan.load import load_bench, load_unit
from simulators.bench import SimulatedBench
from simulators.world import truth_files
from simulators.world.bench_truth import BenchTruth, InputTruth
from simulators.world.journal import BurstRow
from simulators.world.truth_files import all_shipped_units
from simulators.world.unit_truth import UnitTruth
from tests.sequencer.manual_pages import GeneratorPage, Most, Page, SupplyPage
from tests.wire.safety_nights import BENCH, FIRST, FRONT, Case, Ended, Mishap, night

CREST_V, JOULES = 25.0, 30.0  # of the unit's file: below its clip at 31 V, and below what its load bears
LOWER = {"[heat]": f"[limit]\noutput_crest_v = {CREST_V}\nenergy_per_burst_j = {JOULES}\n\n[heat]"}
NEAR_DB = 0.3  # the reading of the gain: 1 % of the range, 0.5 % of the probe, the generator's own level
AWAY_DB = 6.0  # a gain farther from its file is not driven: the project's own promise
SERIAL = "MV-0131"

STAGE = '[[stage]]\nname = "{0}"\nmeasurement = "{0}"\nloads = ["8R"]\n'
HEAD = 'format = 1\nname = "ceilings"\nrest = "quick"\n'
POWER = STAGE.format("output_power") + 'drives = ["20 cycles"]\nstop_limit = { thd_pct = 1.0 }\n'
PLANS = {
    "power": HEAD + POWER,
    "soak": HEAD + STAGE.format("soak") + "options = { minutes = 1.0 }\n",
    "protection": HEAD + STAGE.format("protection"),
    "checks": HEAD + STAGE.format("first_power") + STAGE.format("bench_check") + STAGE.format("gain"),
    "efficiency": HEAD + POWER + STAGE.format("steady_efficiency"),
    "hot": HEAD + POWER + 'thermal = ["hot"]\n',
}


@dataclass(frozen=True)
class Wrong:
    """What is not as the files say. turned: what somebody sets at the generator, at this many bursts (0: before the
    night). shown: what the digitiser shows of each output over what is there. gain_db: of the unit above its file.
    ends_badly: the night has to end there, and safe.
    """

    plan: str
    name: str = "nothing"
    turned: Sequence[str] = ()
    at_burst: int = 0
    shown: Mapping[int, float] = field(default_factory=dict)
    gain_db: float = 0.0
    ends_badly: bool = False


LEFT = ("OUTP1:LOAD 50", "SOUR1:VOLT:UNIT VPP", "SOUR1:VOLT 9.8", "SOUR1:BURS:NCYC INF", "SOUR1:VOLT:OFFS 0.01")
TO_50, TO_VPP = ("OUTP1:LOAD 50",), ("SOUR1:VOLT:UNIT VPP",)
BOTH = {1: 0.1, 2: 0.1}
WRONG = [
    *(Wrong(plan) for plan in ("power", "soak", "protection", "checks", "efficiency")),
    Wrong("power", "left loud", LEFT),
    Wrong("power", "left at 50 ohm", ("OUTP1:LOAD 50",)),
    Wrong("power", "left in Vpp", ("SOUR1:VOLT:UNIT VPP",)),
    Wrong("soak", "left loud", LEFT),
    Wrong("power", "turned to 50 ohm after the proof", TO_50, 1, ends_badly=True),
    Wrong("power", "turned to 50 ohm in the search", TO_50, 5, ends_badly=True),
    Wrong("soak", "turned to 50 ohm", TO_50, 4, ends_badly=True),
    Wrong("protection", "turned to 50 ohm", TO_50, 4, ends_badly=True),
    Wrong("power", "turned to Vpp in the search", TO_VPP, 4, ends_badly=True),
    Wrong("power", "both probes 1:1", shown=BOTH),
    Wrong("power", "one probe 1:1", shown={2: 0.1}),
    Wrong("soak", "both probes 1:1", shown=BOTH),
    Wrong("soak", "one probe 1:1", shown={1: 0.1}),
    Wrong("protection", "both probes 1:1", shown=BOTH),
    Wrong("hot", "both probes 1:1", shown=BOTH),
    Wrong("checks", "both probes 1:1", shown=BOTH),
    Wrong("power", "probes of half", shown={1: 0.55, 2: 0.55}),
    Wrong("power", "12 dB more gain", gain_db=12.0),
    Wrong("power", "5 dB more gain", gain_db=5.0),
    Wrong("soak", "12 dB more gain", gain_db=12.0),
]


def _turn(messages: Sequence[str]) -> Callable[[SimulatedBench, int], None]:
    def act(bench: SimulatedBench, now_ns: int) -> None:
        for message in messages:
            bench.panels["generator"].execute(message, now_ns)

    return act


def _mishaps(wrong: Wrong) -> tuple[Mishap, ...]:
    if not wrong.turned:
        return ()
    begins, number = ("*TRG", wrong.at_burst) if wrong.at_burst else ("*IDN?", 1)
    return (Mishap("generator", begins, number, _turn(wrong.turned)),)


def _truth(wrong: Wrong) -> UnitTruth:
    sound = all_shipped_units()[SERIAL]
    louder = tuple(replace(c, gain_db=c.gain_db + wrong.gain_db) for c in sound.channels)
    return replace(sound, channels=louder)


def _bench_truth(shipped: BenchTruth, wrong: Wrong) -> BenchTruth:
    inputs = dict(shipped.digitiser.inputs)
    for number, shown in wrong.shown.items():
        inputs[number] = replace(inputs.get(number, InputTruth()), probe_gain_error=shown - 1.0)
    return replace(shipped, digitiser=replace(shipped.digitiser, inputs=inputs))


def _night(folder: Path, wrong: Wrong) -> Ended:
    case = Case(truths={SERIAL: _truth(wrong)}, own={FIRST: LOWER}, mishaps=_mishaps(wrong))
    shipped = truth_files.load_bench_truth
    with mock.patch.object(truth_files, "load_bench_truth", lambda path: _bench_truth(shipped(path), wrong)):
        return night(folder, PLANS[wrong.plan], case, units=(FIRST,))


def _most() -> Most:
    ceiling, unit = load_bench(BENCH).model.ceiling, load_unit(FIRST).model
    return Most(
        min(ceiling.generator_vrms, unit.input_max_vrms),
        ceiling.burst_s,
        min(ceiling.supply_v, unit.supply_v.max),
        min(ceiling.supply_a, unit.supply_a_max),
        1.1 * min(ceiling.supply_v, unit.supply_v.max),
    )


def _replayed(page: Page, role: str, ended: Ended, wrong: Wrong) -> None:
    """The page hears the log, and what was turned where it was turned."""
    left = wrong.at_burst or 1
    begins = "*TRG" if wrong.at_burst else "*IDN?"
    for said in ended.said:
        if said.front != FRONT[role]:
            continue
        page.hears(said.message)
        if role == "generator" and wrong.turned and said.message.startswith(begins):
            left -= 1
            for message in wrong.turned if left == 0 else ():
                page.hears(message)


def _wanted_crest_v(burst: BurstRow, truth: UnitTruth) -> float:
    """Of the loudest channel, by e.m.f. and true gain (closed form; what the input draws is left out)."""
    return max(math.sqrt(2.0) * burst.emf_vrms * float(10.0 ** (c.gain_db / 20.0)) for c in truth.channels)


def _room_db(wrong: Wrong) -> float:
    """What a reading that lies may cost at most: as far as a gain from its file is believed. One that shows more than
    there is costs nothing."""
    least = min(wrong.shown.values(), default=1.0)
    return NEAR_DB if least == 1.0 else AWAY_DB + NEAR_DB


@pytest.mark.parametrize("wrong", WRONG, ids=lambda w: f"{w.plan}, {w.name}")
def test_whatever_is_wrong_nothing_passes_a_ceiling(tmp_path: Path, wrong: Wrong) -> None:
    """Truth: the page of the generator, the page of the supply, the world's journal; limits: the two files."""
    ended, truth = _night(tmp_path, wrong), _truth(wrong)
    generator, supply = GeneratorPage(_most()), SupplyPage(_most())
    _replayed(generator, "generator", ended, wrong)
    _replayed(supply, "supply", ended, wrong)
    said = [b for b in generator.beyond if wrong.at_burst == 0 or b.startswith("fired") or "without end" in b]
    knobs = [b for b in said if not wrong.at_burst and any(b.startswith(("level", t)) for t in wrong.turned)]
    assert [b for b in said if b not in knobs] == []
    assert supply.beyond == []
    assert len(ended.bursts) == len(generator.fired) > 0
    level_error = 0.003  # of the simulated generator, as its truth has it, and half a digit
    told = [burst[0] for burst in generator.fired]
    assert [b.emf_vrms for b in ended.bursts] == pytest.approx(told, rel=level_error)
    assert not any(b.cut or b.cycles is None for b in ended.bursts if not wrong.ends_badly)
    loudest_v = max(_wanted_crest_v(burst, truth) for burst in ended.bursts)
    assert loudest_v <= CREST_V * 10.0 ** (_room_db(wrong) / 20.0)
    joules = max(max(burst.load_j, default=0.0) for burst in ended.bursts)
    assert joules <= JOULES * 10.0 ** (2.0 * _room_db(wrong) / 20.0)
    assert ended.is_off
    assert not wrong.ends_badly or ended.done.exit_code != 0
    print(f"{wrong.plan}, {wrong.name}: {len(ended.bursts)} bursts, {loudest_v:.2f} V, {joules:.2f} J")


def test_there_are_25_nights() -> None:
    """The number that was promised, each another one."""
    assert len({(w.plan, w.name) for w in WRONG}) == 25
