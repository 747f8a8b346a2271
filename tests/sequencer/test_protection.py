"""Protection and the wait for its return, on paper: a unit that mutes above given amps, written here."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sequencer.measurements.protection import levels_db, protection
from sequencer.measurements.recovery import Recovery, recovery
from sequencer.measurements.requests import Connect, Fire, Remote, Reply, Request, SetSupply, Shot
from sequencer.measurements.values import Context, ValueJob, Values
from sequencer.plan.estimate_protection import RAMP_SHOTS, protection_cost
from sequencer.plan.load import load_bench, load_unit
from sequencer.plan.models import Bench, Unit
from tests.sequencer.paper_values import PaperBench, drive, job

Volts = NDArray[np.float64]
GAIN, CLIP_V, OHM = 20.0, 30.0, 8.0
KNEE_VRMS = CLIP_V / math.sqrt(2.0) / GAIN


@cache
def bench() -> Bench:
    return load_bench("workshop").model


@cache
def unit() -> Unit:
    return load_unit("ferry_pa_60").model


@dataclass
class Protected(PaperBench):
    """Clips at 30 V. Above over_v the output goes away delay_s later (even after the burst's end, if `late`), and comes
    back returns_s after that, or once the remote line was off for 5 s, or never.
    """

    over_v: float = math.inf
    delay_s: float = 0.003
    returns_s: float | None = None
    late: bool = False
    remote_helps: bool = False
    cut_s: float | None = None
    off_s: float | None = None
    remotes: list[bool] = field(default_factory=list)

    def answer(self, request: Request) -> Reply:
        if isinstance(request, Remote):
            self.remotes.append(request.on)
            self._switch(request.on)
            return None
        assert not isinstance(request, SetSupply | Connect)
        return super().answer(request)

    def _switch(self, on: bool) -> None:
        if not on:
            self.off_s = self.now_s
        elif self.remote_helps and self.off_s is not None and self.now_s - self.off_s >= 5.0:
            self.cut_s = None

    def _shot(self, fire: Fire, seconds: float) -> Shot:
        begin_s = self.now_s
        if self.cut_s is not None and self.returns_s is not None and begin_s >= self.cut_s + self.returns_s:
            self.cut_s = None
        gone_before = self.cut_s is not None
        peak = fire.level_vrms * math.sqrt(2.0) * GAIN
        cut_at = self.delay_s if min(peak, CLIP_V) > self.over_v else math.inf
        within = cut_at < fire.cycles / fire.frequency_hz
        if not gone_before and math.isfinite(cut_at) and (within or self.late):
            self.cut_s = begin_s + cut_at
        shot = super()._shot(fire, seconds)
        until = 0.0 if gone_before else cut_at if within else math.inf
        records = {}
        for name, record in shot.records.items():
            t: Volts = record.times_s
            volts = np.where(t < until, np.clip(record.volts, -CLIP_V, CLIP_V), 0.0)
            records[name] = replace(record, volts=volts)
        return replace(shot, records=records, fired_at_ns=round(begin_s * 1e9))


def of(earlier: tuple[dict[str, Any], ...] = (), remote: bool = False, last_ns: int | None = None) -> ValueJob:
    """One channel of 30 V into 8 ohm, 1 kHz."""
    bay = bench().bay[0].model_copy(update={"remote_contact": "215" if remote else None})
    declared = unit().model_copy(update={"remote_line": remote})
    plain = job("protection", frequencies_hz=(1000.0,))
    return replace(plain, context=Context(declared, bench(), bay, earlier, last_ns))


def by_name(found: Values) -> dict[str, float | None]:
    return {value.name: value.value for value in found.values}


def test_where_it_cut_in_and_when_it_came_back() -> None:
    """Planted: 20 V (2.5 A by Ohm's law), 3 ms, 1.5 s. The level at which it cut in lies at most one rise of 1 dB above
    the threshold, the time within a third of a cycle, the return within the half second between two looks."""
    paper = Protected(over_v=20.0, returns_s=1.5)
    found = drive(protection(of()), paper)
    seen = by_name(found)
    volts = seen["cut-in level"]
    assert volts is not None
    assert 20.0 < volts <= 20.0 * 10 ** (1.0 / 20.0) * 1.01
    assert seen["cut-in amps"] == pytest.approx(volts / OHM, rel=1e-6)
    assert seen["cut-in cycle"] == pytest.approx(3.0, abs=1.0)
    assert seen["cut-in time"] == pytest.approx(0.003, abs=1.0 / 3.0 / 1000.0)
    assert seen["return time"] == pytest.approx(1.5, abs=0.6)
    assert found.extra == {"needed_remote": False}
    assert [v.judgement for v in found.values if v.name == "return time"] == ["within"]
    assert [f.kind for f in found.findings] == ["protection early"]  # 60 W into 8 ohm take 31 V (arithmetic)
    assert paper.remotes == []


def test_it_does_not_have_to_cut_in() -> None:
    """Nothing planted: an answer, no finding; no level above 1 dB beyond the clip was fired."""
    paper = Protected()
    found = drive(protection(of()), paper)
    (value,) = found.values
    assert value.value is None
    assert "did not cut in" in (value.reason or "")
    assert (found.findings, found.trip) == ((), None)
    loud = [fire.level_vrms for fire in paper.fired if fire.purpose == "protection"]
    assert max(loud) <= KNEE_VRMS * 10 ** (1.0 / 20.0) * 1.0001
    assert max(loud) == pytest.approx(KNEE_VRMS * 10 ** (1.0 / 20.0), rel=0.001)


def test_levels_rise_by_1_db_and_then_by_half() -> None:
    """From 10 dB below the clip; rises are 1 dB down to 3 dB below it, then 0.5 dB."""
    levels = levels_db(of(), {"A": 20.0 * math.log10(GAIN)})
    rises = np.diff(levels)
    knee_db = 20.0 * math.log10(KNEE_VRMS)
    assert levels[0] == pytest.approx(knee_db - 10.0)
    assert levels[-1] == pytest.approx(knee_db + 1.0)
    assert all(
        rise <= (1.0 if low < knee_db - 3.0 - 1e-9 else 0.5) + 1e-9 for low, rise in zip(levels, rises, strict=False)
    )
    assert len(levels) <= RAMP_SHOTS


def test_the_clip_found_before_is_where_it_goes() -> None:
    """An earlier row of this load ended by distortion at 0.5 Vrms: up to 1 dB above that, whatever the file says."""
    earlier = {"measurement": "output_power", "load": "8R", "stopped_by": "thd", "level_vrms": 0.5, "cycles": 20}
    paper = Protected()
    drive(protection(of((earlier,))), paper)
    loud = [fire.level_vrms for fire in paper.fired if fire.purpose == "protection"]
    assert max(loud) == pytest.approx(0.5 * 10 ** (1.0 / 20.0), rel=0.001)


def test_one_that_holds_comes_back_by_the_remote_line() -> None:
    """Off for 5 s, as the unit planted here wants it: told, and judged outside, since nobody is there to do it."""
    paper = Protected(over_v=20.0, remote_helps=True)
    found = drive(protection(of(remote=True)), paper)
    assert paper.remotes == [False, True]
    assert found.extra == {"needed_remote": True}
    assert [v.judgement for v in found.values if v.name == "return time"] == ["outside"]
    assert "protection holds" in [f.kind for f in found.findings]
    assert found.trip is None


@pytest.mark.parametrize("remote", [False, True])
def test_one_that_never_comes_back_is_a_trip(remote: bool) -> None:
    paper = Protected(over_v=20.0)
    found = drive(protection(of(remote=remote)), paper)
    assert found.trip is not None
    assert "did not come back" in found.trip
    assert paper.remotes == ([False, True] if remote else [])
    assert by_name(found)["return time"] is None


def test_one_that_cuts_in_after_the_burst_is_not_given_a_cycle() -> None:
    """25 ms after a burst of 20 ms: the next one finds nothing; the level told is that of the burst before."""
    paper = Protected(over_v=20.0, delay_s=0.025, late=True, returns_s=3.0)
    found = drive(protection(of()), paper)
    seen = by_name(found)
    assert seen["cut-in cycle"] is None
    assert seen["cut-in time"] is None
    volts = seen["cut-in level"]
    assert volts is not None
    assert 20.0 < volts <= 20.0 * 10 ** (1.0 / 20.0) * 1.01


# --- the wait alone


def run(talk_of: ValueJob, paper: Protected) -> Recovery:
    reply: Reply = None
    talk = recovery(talk_of)
    try:
        while True:
            reply = paper.answer(talk.send(reply))
    except StopIteration as end:
        found: Recovery = end.value
        return found


def test_wait_for_the_return() -> None:
    """Cut at 0 s of the bench's clock, back 4 s later; looked at every half second, with harmless bursts only."""
    paper = Protected(cut_s=0.0, returns_s=4.0)
    found = run(of(last_ns=0), paper)
    assert found.returned_s is not None
    assert 4.0 <= found.returned_s <= 4.6
    assert not found.needed_remote
    assert max(fire.level_vrms * GAIN for fire in paper.fired) <= 0.5  # harmless: common practice, no source


def test_wait_for_one_that_never_returns() -> None:
    """A minute, and no remote line: None."""
    found = run(of(last_ns=0), Protected(cut_s=0.0))
    assert (found.returned_s, found.needed_remote) == (None, False)


def test_gain_measured_before_is_what_must_come_back() -> None:
    """A unit 3 dB below its file, measured so before: it is back at that."""
    gain_db = 20.0 * math.log10(GAIN)
    row = {"values": [{"name": "gain at 1 kHz", "channel": "A", "value": gain_db}]}
    low = replace(of((row,), last_ns=0), channels=tuple(replace(c, gain_db=gain_db + 8.0) for c in of().channels))
    assert run(low, Protected()).returned_s is not None


# --- on paper before the night


def test_the_estimate_holds_for_the_worst_case() -> None:
    """As fired above with a protection that never comes back: no more shots and no more time than estimated."""
    paper = Protected(over_v=31.0)
    never = Protected(over_v=29.9)
    point = of(remote=True).point
    cost = protection_cost(point, unit(), bench(), 1.0)
    for one, trips in ((paper, False), (never, True)):
        found = drive(protection(of(remote=True)), one)
        assert (found.trip is not None) is trips
        assert found.shots <= cost.shots
        assert one.now_s <= cost.time_s
