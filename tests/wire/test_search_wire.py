"""The level search over real sockets, knowing what a night really knows at a unit's first point: its file, good to
within 3 dB.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest

from simulators.world.truth_files import shipped_bench
from simulators.world.unit_truth import ChannelTruth, RailTruth, UnitTruth
from tests.wire import truth_forms as forms
from tests.wire.wire_bench import Measured, Wired, declared_bench, declared_unit, plan_of, run_plan

PLAIN = ("hard", "sag", "soft-edged", "one-sided", "8 bit")
UNITS = 20
FILE_WITHIN_DB = 3.0
LIMIT = 0.01
OUTPUT_W = 400.0  # of the shipped bench's ceiling


@dataclass(frozen=True)
class Drawn:
    """A unit as it is, and what its file says of it. crossing_v: peak wanted of the output at which its distortion
    meets the limit.
    """

    truth: UnitTruth
    crossing_v: float
    file_v: float
    file_gain_db: float
    cycles: int
    waves: forms.Shape | forms.Sag | None = None
    bits: int = 12
    generator_vrms: float = 4.0

    @property
    def gain(self) -> float:
        return float(10 ** (self.truth.channels[0].gain_db / 20))

    def last_cycle(self) -> forms.Volts:
        """The output's last cycle at the limit."""
        if isinstance(self.waves, forms.Sag):
            return self.waves.last_cycle(self.crossing_v)
        assert self.waves is not None
        return self.waves(forms.sine(self.crossing_v))

    def level_at(self, wanted_v: float) -> float:
        """What the generator must be set to for this peak, Vrms: its own level error and the unit's input as a load
        counted in.
        """
        error = shipped_bench().generator_level_error
        return (
            wanted_v / math.sqrt(2.0) / self.gain / forms.level_at_unit(1.0, (self.truth.channels[0].input_ohm,), error)
        )


@dataclass(frozen=True)
class Seen:
    drawn: Drawn
    point: Measured
    highest_vrms: float

    @property
    def over_db(self) -> float:
        return 20.0 * math.log10(self.highest_vrms / self.drawn.level_at(self.drawn.crossing_v))

    @property
    def fresh_ratio(self) -> float:
        assert self.point.fresh is not None
        return max(c.distortion for c in self.point.fresh.channels.values())


def _rng(kind: str, number: int) -> np.random.Generator:
    return np.random.default_rng([53, number, sum(kind.encode())])


def draw(kind: str, number: int) -> Drawn:
    """Gain within 1 dB of the file's 26 dB, rail 22 to 38 V, file within 3 dB of the true crossing, every fifth unit
    one single cycle.
    """
    rng = _rng(kind, number)
    top_v, gain_db = float(rng.uniform(22.0, 38.0)), 26.0 + float(rng.uniform(-1.0, 1.0))
    cycles = 1 if number % 5 == 4 and kind in ("hard", "soft-edged", "sag") else 8
    channel = {"gain_db": gain_db, "offset_v": float(rng.uniform(-0.01, 0.01)), "noise_vrms": 0.0003}
    rail = RailTruth(top_v)
    waves: forms.Shape | forms.Sag = forms.hard(top_v, top_v)
    crossing_v = top_v / forms.HARD_RATIO_1_PCT
    if kind == "sag":
        waves = sag = forms.Sag(
            top_v, float(rng.uniform(0.02, 0.2)) * math.pi / 2, float(rng.uniform(0.004, 0.02)), cycles
        )
        rail = RailTruth(top_v, sag.ohm * declared_bench("ab"[number % 2]).model.load["8R"].ohm["A"], sag.tau_s)
        crossing_v = sag.crossing_peak(LIMIT)
    elif kind == "soft-edged":
        knee = math.exp(float(rng.uniform(math.log(8.0), math.log(60.0))))
        channel |= {"clip": "soft", "knee_exponent": knee}  # type: ignore[dict-item]
        waves = forms.soft(top_v, knee)
        crossing_v = forms.crossing_peak(waves, LIMIT, 0.3 * top_v, 1.1 * top_v)
    elif kind == "one-sided":
        channel["clip_negative"] = 2.0
        waves = forms.hard(top_v, 2.0 * top_v)
        crossing_v = forms.crossing_peak(waves, LIMIT, top_v, 1.2 * top_v)
    off_db = float(rng.uniform(-FILE_WITHIN_DB, FILE_WITHIN_DB))
    file_v = crossing_v * forms.HARD_RATIO_1_PCT * 10 ** (off_db / 20)
    path = ChannelTruth("A", **channel)  # type: ignore[arg-type]
    return Drawn(
        UnitTruth("MV-0900", (path,), rail), crossing_v, file_v, 26.0, cycles, waves, 8 if kind == "8 bit" else 12
    )


def seen(drawn: Drawn, seed: int) -> Seen:
    letter = "ab"[seed % 2]
    wired = Wired(declared_bench(letter, letter, drawn.bits, drawn.generator_vrms), shipped_bench())
    drives = ("1 cycle" if drawn.cycles == 1 else f"{drawn.cycles} cycles",)
    night = run_plan(wired, declared_unit(drawn.file_v, drawn.file_gain_db), drawn.truth, plan_of(drives), seed)
    (point,) = night.points
    return Seen(drawn, point, max(night.commanded_vrms))


@cache
def population(kind: str) -> list[Seen]:
    return [seen(draw(kind, number), number) for number in range(UNITS)]


def table(kind: str, several: list[Seen]) -> str:
    shots = sorted(len([r for r in one.point.row["shot_table"] if r["purpose"] == "ramp"]) for one in several)
    over = sorted(one.over_db for one in several)
    good = sum(one.fresh_ratio <= LIMIT for one in several if one.point.fresh)
    power = [20 * math.log10(one.point.row["level_vrms"] / one.drawn.level_at(one.drawn.crossing_v)) for one in several]
    return (
        f"{kind:11} search shots median {shots[len(shots) // 2]:2} most {shots[-1]:2} | overshoot dB median "
        f"{over[len(over) // 2]:+.3f} most {over[-1]:+.3f} | accepted under crossing dB {min(power):+.3f} .. "
        f"{max(power):+.3f} | fresh within {good} of {len(several)}"
    )


@pytest.mark.parametrize("kind", PLAIN)
def test_ends_at_the_limit_with_little_overshoot(kind: str) -> None:
    """Of 20 units a kind: all end at the limit; no level commanded more than 0.3 dB above the true crossing, which
    the test works out from the unit's formula (our own requirement; the simulator's log says what was commanded);
    none above a ceiling.
    """
    several = population(kind)
    print(table(kind, several))
    assert {one.point.row["stopped_by"] for one in several} <= {"thd", "burst_residual"}
    assert {one.point.row["outcome"] for one in several} == {"measured"}
    for one in several:
        ohm = one.point.channel["load_ohm"]
        assert one.over_db <= 0.3, one.drawn
        assert one.highest_vrms <= one.drawn.generator_vrms
        assert one.highest_vrms * one.drawn.gain * math.sqrt(2.0) <= math.sqrt(2.0 * OUTPUT_W * ohm)


def test_a_fresh_shot_at_the_accepted_level_is_within_the_limit() -> None:
    """At least 97 of 100 (our own requirement): fired after the point, judged by nobody in the search."""
    several = [one for kind in PLAIN for one in population(kind)]
    within = sum(one.fresh_ratio <= LIMIT for one in several)
    print(f"fresh shots within the limit: {within} of {len(several)}")
    assert within >= 0.97 * len(several)


def test_the_crossing_is_placed_within_the_resolution() -> None:
    """The level at which the limit is met, against the unit's formula: within the 0.05 dB that the stated uncertainty
    of the power there rests on, and that power within its interval, in at least 95 of 100 (8 bit readings are good to
    some 0.05 dB themselves).
    """
    off_db, off_share = [], []
    for one in (one for kind in PLAIN for one in population(kind)):
        (found,) = one.point.outcome.found
        assert found.crossing_db is not None
        off_db.append(found.crossing_db - 20.0 * math.log10(one.drawn.level_at(one.drawn.crossing_v)))
        true_w = forms.ac_mean_square(one.drawn.last_cycle()) / one.point.channel["load_ohm"]
        channel = one.point.channel
        off_share.append((channel["power_at_limit_w"] - true_w) / channel["power_at_limit_expanded_uncertainty_w"])
    for place, kind in enumerate(PLAIN):
        here = slice(UNITS * place, UNITS * (place + 1))
        print(
            f"{kind:11} crossing off by {min(off_db[here]):+.3f} .. {max(off_db[here]):+.3f} dB; power there off by "
            f"{min(off_share[here]):+.2f} .. {max(off_share[here]):+.2f} of its uncertainty"
        )
    assert np.mean(np.abs(off_db) <= 0.05) >= 0.95
    assert np.mean(np.abs(off_share) <= 1.0) >= 0.95


@pytest.mark.parametrize("number", range(8))
def test_a_unit_beyond_the_ceiling_ends_there(number: int) -> None:
    """Never within reach of the limit: every level the simulator was told is at most the bench's ceiling, and the
    search gets to it.
    """
    rng = _rng("ceiling", number)
    gain_db, ceiling_vrms = 26.0 + float(rng.uniform(-0.5, 0.5)), 0.5 + 0.1 * number  # tenths: met to the last bit
    ceiling_v = ceiling_vrms * math.sqrt(2.0) * 10 ** (gain_db / 20)
    truth = UnitTruth("MV-0900", (ChannelTruth("A", gain_db=gain_db),), RailTruth(2.0 * ceiling_v))
    one = seen(Drawn(truth, 2.0 * ceiling_v, 0.75 * ceiling_v, 26.0, 8, generator_vrms=ceiling_vrms), number)
    assert one.point.row["stopped_by"] == "generator_ceiling"
    assert one.point.row["outcome"] == "measured"
    assert 0.99 * ceiling_vrms <= one.highest_vrms <= ceiling_vrms


def half_dead(number: int, gain_db: float) -> Seen:
    """Only positive half cycles come out; the file knows nothing of it and says 26 dB."""
    top_v = float(_rng("half", number).uniform(22.0, 38.0))
    truth = UnitTruth("MV-0900", (ChannelTruth("A", gain_db=gain_db, clip_negative=0.0),), RailTruth(top_v))
    return seen(Drawn(truth, top_v, top_v, 26.0, 8), number)


@pytest.mark.parametrize("number", range(3))
def test_one_half_dead_is_found_by_its_gain(number: int) -> None:
    """A half-wave rectified sine has half the fundamental (Fourier series), 6.02 dB: with a gain not above the file's
    the unit is not driven beyond the harmless shot (0.4 Vrms at 26 dB, our own rule: at most 0.5 Vrms).
    """
    one = half_dead(number, 26.0 - 0.2 * number)
    assert one.point.row["outcome"] == "not_measured"
    assert "gain of channel A" in one.point.row["reason"]
    assert one.highest_vrms * 10 ** (26.0 / 20) <= 0.5


@pytest.mark.parametrize("number", range(4))
def test_one_half_dead_with_much_gain_is_never_within_the_limit(number: int) -> None:
    """Where more gain hides half of those 6 dB: THD(F) of the half-wave is 43.52 % (fundamental 1/2, ac mean square
    1/4 - 1/pi^2), at every level below its clip. Nothing is accepted, and no level lies above what the file allows at
    the gain seen: its clip volts, 3 dB, and the 0.3 dB a search may pass a crossing by, at 1.02 of the onset.
    """
    gain_db = 26.2 + 0.3 * number
    one = half_dead(number, gain_db)
    expected = math.sqrt(2.0 * (0.25 - 1.0 / math.pi**2) / 0.25 - 1.0)
    row = one.point.row
    print(f"half dead: {row['stopped_by']}, {row['shots']} shots, highest {one.over_db:+.1f} dB re true clip")
    assert row["outcome"] == "not_measured"
    assert row["stopped_by"] == "never_below"
    assert row["shot_table"][0]["distortion_pct"] == pytest.approx(100.0 * expected, rel=0.005)
    crest_v = one.highest_vrms * math.sqrt(2.0) * 10 ** (gain_db / 20) / 2.0
    assert crest_v <= one.drawn.file_v * 10 ** (3.3 / 20) / forms.HARD_RATIO_1_PCT
