"""`endurance` against a unit on paper that is worked and rests: a sound one, a contact that opens, an offset that
jumps, a stage with a dead zone.

Closed forms: P = U^2/R, E = P t, one heat capacity behind one thermal resistance (paper_oven); 20 lg of a ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.integrate import quad

from sequencer.analysis.records import Record
from sequencer.measurements.endurance import endurance
from sequencer.measurements.requests import Fire, Quiet, Remote, Reply, Request, SetSupply, Shot
from sequencer.measurements.values import Values
from sequencer.plan.models import Heat, Rating, Unit
from tests.sequencer.paper_checks import kinds, number, value
from tests.sequencer.paper_oven import PaperOven, heat_job, run, unit_of

RATED_W, OHM, GAIN = 48.0, 8.0, 20.0
RATE_HZ = 50_000.0


@dataclass
class PaperWorker(PaperOven):
    """opens: (begin s, end s, part that is left) of channel B's output, by the bench's clock; hot_v: offset of B that
    comes on above hot_c; dead_zone_v: x - d tanh(x/d), of A. offs: when it was switched off, degC of A then."""

    opens: tuple[tuple[float, float, float], ...] = ()
    never_back: bool = False
    hot_v: float = 0.0
    hot_c: float = 40.0
    dead_zone_v: float = 0.0
    on: bool = True
    offs: list[float] = field(default_factory=list)
    ons: list[float] = field(default_factory=list)

    def answer(self, request: Request) -> Reply:
        if isinstance(request, SetSupply | Remote):
            self.on = request.on
            (self.ons if request.on else self.offs).append(self.celsius["A"])
            return None
        if isinstance(request, Fire | Quiet):
            assert self.on, "a burst into a unit that is off"
        return super().answer(request)

    @property
    def idle_now_a(self) -> float:
        return super().idle_now_a if self.on else 0.0

    def _shot(self, fire: Fire) -> Shot:
        begun_s = self.now_s
        shot = super()._shot(fire)
        records = {
            wire: self._seen(fire, record, begun_s, {"ch1": "A", "ch2": "B"}[wire])
            for wire, record in shot.records.items()
        }
        return replace(shot, records=records)

    def _seen(self, fire: Fire, record: Record, begun_s: float, channel: str) -> Record:
        times, hz = record.times_s, fire.frequency_hz
        tone = 0.0 if fire.purpose == "quiet" else math.sqrt(2.0) * GAIN * fire.level_vrms
        volts = tone * np.sin(2.0 * np.pi * hz * times)
        if channel == "A" and self.dead_zone_v:
            volts = volts - self.dead_zone_v * np.tanh(volts / self.dead_zone_v)
        if channel == "B":
            for begin_s, end_s, left in self.opens:
                at_s = begun_s + times
                volts = np.where((at_s >= begin_s) & (at_s < end_s), left * volts, volts)
            if self.celsius["B"] > self.hot_c:
                volts = volts + self.hot_v
        rng = np.random.default_rng([3, round(begun_s * 1e6), ord(channel)])
        volts = volts + rng.normal(0.0, 0.0004, volts.size)
        step = record.full_scale_v / 2048.0
        seen = step * np.round(volts / step + rng.normal(0.0, 0.5, volts.size))
        return replace(record, volts=seen, overloaded=bool(np.abs(seen).max() > record.full_scale_v))


def rated(**changed: Any) -> Unit:
    rating = Rating(load_ohm=OHM, supply_v=24.0, power_w=RATED_W)
    return unit_of().model_copy(update={"rating": (rating,), "bleed_s": 10.0, "mute_s": 1.0} | changed)


def worked(paper: PaperWorker, unit: Unit | None = None, **options: Any) -> Values:
    point = {"minutes": 8.0, "power_cycles": 2, "power_parts": (0.125,)} | options
    return run(endurance(heat_job("endurance", unit or rated(), **point)), paper)


def paper(**changed: Any) -> PaperWorker:
    return PaperWorker(k_per_w={"A": 1.0, "B": 1.0}, **changed)


def test_a_healthy_unit_is_told_nothing_and_works_at_both_powers() -> None:
    """1 W and 48 / 8 = 6 W by U^2 / R; half of 8 minutes at each; off and on twice, cool (40 degC) each time."""
    bench = paper()
    found = worked(bench)
    assert kinds(found) == []
    for channel in "AB":
        assert number(found, "power held, small", channel) == pytest.approx(1.0, rel=0.01)
        assert number(found, "power held, at 1/8", channel) == pytest.approx(RATED_W / 8.0, rel=0.01)
        assert number(found, "bursts with a drop-out", channel) == 0.0
        assert number(found, "largest change of offset", channel) < 0.001
        assert number(found, "gain at 10 mV re that at the small power", channel) == pytest.approx(0.0, abs=0.05)
    assert {v.judgement for v in found.values if v.judgement} == {"within"}
    assert len(bench.offs) == len(bench.ons) == 2
    assert value(found, "work done").reason == "of 8 min asked for; 2 times off and on by its supply"
    assert max(bench.ons) <= 40.0
    assert 8.0 <= number(found, "work done") < 8.0 + 4 * 10.0 / 60.0
    assert [(row["cycle"], row["channel"]) for row in found.extra["endurance_cycles"]] == [
        (1, "A"), (1, "B"), (2, "A"), (2, "B"),
    ]  # fmt: skip


def test_every_tone_is_a_counted_burst_of_ten_seconds_at_most_and_none_is_above_an_eighth() -> None:
    bench = paper()
    worked(bench)
    assert max(fire.cycles / fire.frequency_hz for fire in bench.fired) <= 10.0
    assert max(fire.level_vrms for fire in bench.fired) <= math.sqrt(RATED_W / 8.0 * OHM) / GAIN * 1.001


def test_a_ceiling_of_the_generator_holds_for_both_powers() -> None:
    """0.1 Vrms at a gain of 20 are 2 V, 0.5 W into 8 ohm: less than the 1 W of the small power; nothing is louder."""
    made = heat_job("endurance", rated(), minutes=2.0, power_cycles=1, power_parts=(0.125,))
    made = replace(made, limits=replace(made.limits, generator_vrms=0.1))
    bench = paper()
    found = run(endurance(made), bench)
    assert max(fire.level_vrms for fire in bench.fired) <= 0.1
    assert number(found, "power held, small", "A") == pytest.approx(0.5, rel=0.01)


def test_the_joules_are_those_of_its_two_powers() -> None:
    """E = P t of both channels: (1 W + 6 W) x half of the minutes each, to within the last burst of each stretch."""
    bench = paper()
    found = worked(bench)
    told_j = 2.0 * (1.0 * found.extra["worked_s"]["small"] + 6.0 * found.extra["worked_s"]["loud"])
    fired_j = sum(
        2.0 * (GAIN * f.level_vrms) ** 2 / OHM * f.cycles / f.frequency_hz for f in bench.fired if f.last_s is not None
    )
    assert fired_j == pytest.approx(told_j, rel=0.02)


def test_it_rests_until_it_is_cool_before_it_is_switched_on() -> None:
    """1.5 K/W at some 17 W come near 45 degC in half an hour; 40 is cool."""
    bench = PaperWorker(k_per_w={"A": 1.5, "B": 1.5})
    found = worked(bench, minutes=60.0)
    assert bench.offs[1] > 42.0
    assert bench.ons[1] <= 40.0
    row = found.extra["endurance_cycles"][2]
    assert row["rested_s"] > 0.0
    assert row["cold_heatsink_c"] <= 40.0 < row["after_heatsink_c"]


# --- what is planted


@cache
def bursts_s() -> list[float]:
    """When the bursts of its work began, s, of a unit that is sound."""
    bench = paper()
    begun: list[float] = []
    shoot = bench._shot

    def noted(fire: Fire) -> Shot:
        if fire.purpose == "endurance" and fire.last_s is not None:
            begun.append(bench.now_s)
        return shoot(fire)

    bench._shot = noted  # type: ignore[method-assign]
    worked(bench)
    return begun


def test_a_drop_out_of_a_part_of_a_burst_is_found_with_its_size_and_length() -> None:
    """Half of the volts are 6.02 dB less; 60 ms of them."""
    at_s = bursts_s()[5] + 9.75
    found = worked(paper(opens=((at_s, at_s + 0.06, 0.5),)))
    assert kinds(found) == [("drop-out", "B")]
    assert number(found, "bursts with a drop-out", "B") == 1.0
    assert value(found, "bursts with a drop-out", "B").judgement == "outside"
    assert number(found, "bursts with a drop-out", "A") == 0.0
    assert "-6.0 dB for 0.0" in found.findings[0].sentence
    (row,) = [r for r in found.extra["endurance_cycles"] if r["bursts_with_dropout"]]
    assert row["furthest_db"] == pytest.approx(20.0 * math.log10(0.5), abs=0.1)
    assert row["longest_s"] == pytest.approx(0.06, abs=0.011)


def test_an_output_that_is_gone_is_asked_for_at_a_harmless_level_before_it_is_driven_on() -> None:
    """Open for 13 s from within one burst on: nothing above 0.3 V is fired until it is back."""
    begun = bursts_s()
    at_s = begun[6] + 1.0
    bench = paper(opens=((at_s, at_s + 13.0, 0.0),))
    found = worked(bench)
    assert [kind for kind, _ in kinds(found)] == ["drop-out"]
    assert found.extra["stopped_by"] is None
    assert found.no_drive is None
    quiet = [f for f in bench.fired if f.purpose == "check"]
    assert quiet
    assert all(GAIN * f.level_vrms <= 0.31 for f in quiet)


def test_an_output_that_stays_away_ends_it_and_it_is_not_driven_again() -> None:
    at_s = bursts_s()[4]
    bench = paper(opens=((at_s, math.inf, 0.0),))
    found = worked(bench)
    assert kinds(found) == [("drop-out", "B"), ("endurance ended early", "B")]
    assert found.no_drive is not None
    assert "did not come back" in found.no_drive
    assert [f for f in bench.fired if f.purpose == "endurance"][-1].cycles > 1000  # nothing loud after it


def test_an_output_that_gives_twice_its_power_ends_it() -> None:
    """1.45 times the volts are +3.2 dB, within the range of the digitiser: not one burst more."""
    at_s = bursts_s()[4]
    bench = paper(opens=((at_s, math.inf, 1.45),))
    found = worked(bench)
    assert found.extra["stopped_by"] == "overload"
    assert ("endurance ended early", "B") in kinds(found)
    assert len([f for f in bench.fired if f.purpose == "endurance" and f.last_s is not None]) == 5


def test_an_offset_that_jumps_when_it_is_hot() -> None:
    """30 mV above 32 degC: the change from cold to after the work, and from there to cold again."""
    found = worked(paper(hot_v=0.03, hot_c=32.0))
    assert kinds(found) == [("offset jump", "B")]
    assert number(found, "largest change of offset", "B") == pytest.approx(0.03, abs=0.001)
    assert value(found, "largest change of offset", "B").judgement == "outside"
    assert "after work in cycle" in found.findings[0].sentence


def test_an_offset_that_must_not_be_driven_ends_it() -> None:
    bench = paper(hot_v=0.2, hot_c=32.0)
    found = worked(bench)
    assert found.extra["stopped_by"] == "offset"
    assert bench.fired[-1].last_s is not None  # the last of its work: none of a look on top of the offset
    assert (found.no_drive or "").startswith("not driven: the offset of channel B")
    assert ("endurance ended early", "B") in kinds(found)


def dead_zone_db(d: float, vrms: float) -> float:
    """The first harmonic of x - d tanh(x/d) over that of x, dB: by Fourier's integral (scipy.integrate.quad)."""
    peak = math.sqrt(2.0) * vrms
    part = quad(lambda t: d * math.tanh(peak * math.sin(t) / d) * math.sin(t), 0.0, math.pi)[0] * 2.0 / math.pi
    return 20.0 * math.log10(1.0 - part / peak)


def test_a_dead_zone_shows_at_10_mv() -> None:
    """2 mV of dead zone: -1.5 dB or so of 10 mV, and nothing of 1 W."""
    found = worked(paper(dead_zone_v=0.002))
    assert kinds(found) == [("gain at 10 mV", "A")]
    expected_db = dead_zone_db(0.002, 0.01) - dead_zone_db(0.002, math.sqrt(OHM))
    assert number(found, "gain at 10 mV re that at the small power", "A") == pytest.approx(expected_db, abs=0.1)


def test_a_bound_of_the_plan_s_own() -> None:
    assert kinds(worked(paper(dead_zone_v=0.002), small_gain_db=3.0)) == []
    assert kinds(worked(paper(hot_v=0.03, hot_c=32.0), offset_jump_v=0.05)) == []


def test_heat_ends_it() -> None:
    found = worked(paper(), rated(heat=Heat(stop_c=33.0, trip_c=90.0)))
    assert found.extra["stopped_by"] == "temperature"
    assert [kind for kind, _ in kinds(found)] == ["endurance ended early"]
    assert "heat sink A at 33" in found.findings[0].sentence


def test_current_limit_ends_it_without_another_burst() -> None:
    bench = paper(limit_after_s=300.0)
    found = worked(bench)
    assert found.extra["stopped_by"] == "supply_current_limit"
    assert found.trip is None
    assert bench.fired[-1].purpose == "endurance"
