"""`first_power` against a unit on paper: what is asked of supply and remote line in which order, and what is read."""

from __future__ import annotations

from typing import Any

import pytest

from sequencer.measurements.first_power import first_power
from sequencer.measurements.first_power_waking import excursion_v, follows_from
from sequencer.measurements.requests import Fire, Remote, SetSupply
from sequencer.measurements.values import Values
from sequencer.plan.models import Fingerprint, Unit
from tests.sequencer.paper_checks import (
    PaperBenchOfChecks,
    PaperUnit,
    bench_model,
    job_of,
    kinds,
    number,
    unit_model,
    value,
)
from tests.sequencer.paper_checks import drive as drive_talk


def unpowered(unit: PaperUnit | None = None, **more: Any) -> PaperBenchOfChecks:
    return PaperBenchOfChecks(unit or PaperUnit(), on=False, remote_s=None, **more)


def powered(paper: PaperBenchOfChecks, unit: Unit | None = None) -> Values:
    return drive_talk(first_power(job_of("first_power", unit or unit_model(), paper.bench)), paper.answer)


def switching(paper: PaperBenchOfChecks) -> list[Any]:
    """(volts, limit, on) of the supply and the remote line's state, in order."""
    asked = [r for r in paper.asked if isinstance(r, SetSupply | Remote)]
    return [r.on if isinstance(r, Remote) else (r.volts, r.limit_a, r.on) for r in asked]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_sound_converter_unit(seed: int) -> None:
    """Order and limits: full volts with the remote line open under 2 A, then the line under 6 A, at the end the unit's
    own limit (common practice, no source). What is read is what was planted."""
    paper = unpowered(seed=seed)
    found = powered(paper)
    assert switching(paper) == [False, (24.0, 2.0, True), (24.0, 6.0, True), True, (24.0, 25.0, True)]
    assert kinds(found) == []
    assert (found.no_drive, found.no_power) == (None, None)
    assert number(found, "standby current") == pytest.approx(0.01, abs=0.003)
    assert value(found, "standby current").judgement == "within"
    assert number(found, "idle within 3 s") == pytest.approx(1.0, abs=0.004)


@pytest.mark.parametrize("mute_s", [0.31, 0.8, 2.37, 7.3])
def test_mute_time(mute_s: float) -> None:
    """The planted time lies within the stated interval."""
    found = powered(unpowered(PaperUnit(mute_s=mute_s)), unit_model(mute_s=8.0))
    read = value(found, "mute time")
    assert read.expanded_uncertainty is not None
    assert number(found, "mute time") == pytest.approx(mute_s, abs=read.expanded_uncertainty + 0.01)
    assert read.expanded_uncertainty < 0.2


def test_a_mute_that_outlasts_its_file() -> None:
    found = powered(unpowered(PaperUnit(mute_s=4.0)))
    assert kinds(found) == [("mute time", None)]
    assert value(found, "mute time").judgement == "outside"


def test_an_output_that_never_comes() -> None:
    """Twelve seconds are waited (common practice)."""
    paper = unpowered(PaperUnit(gain={"A": 20.0, "B": 0.0}))
    found = powered(paper)
    assert kinds(found) == [("no output", "B")]
    assert value(found, "mute time").judgement == "not measured"
    assert value(found, "thump", "B").value is None
    assert 12.0 < paper.now_s < 45.0


def test_a_thump_is_seen_about_where_it_ends() -> None:
    """2 V falling with 40 ms: the mean over one cycle of the tone (1 ms) loses 1.2 % of its peak, and the converter's
    steps of 4 mV and the tone's own beginning, 70 mV, lie on it."""
    found = powered(unpowered(PaperUnit(mute_s=0.75, thump_v=2.0)))
    for channel in "AB":
        read = value(found, "thump", channel)
        assert read.expanded_uncertainty is not None
        assert number(found, "thump", channel) == pytest.approx(2.0, abs=read.expanded_uncertainty + 0.025)


def test_lead_by_two_currents_whatever_the_probe_is_off_by() -> None:
    """Ohm's law between standby and idle: 12 mohm planted, the rail's probe 0.4 % off, which falls out."""
    for ohm in (0.012, 0.04):
        found = powered(unpowered(lead_ohm=ohm, probe={"ch3": 1.004}))
        read = value(found, "lead of the supply")
        assert read.expanded_uncertainty is not None
        assert read.expanded_uncertainty < 0.005
        assert number(found, "lead of the supply") == pytest.approx(ohm, abs=read.expanded_uncertainty + 0.004)
        assert kinds(found) == ([("supply lead", None)] if ohm > 0.03 else [])


def test_a_supply_that_shows_more_than_is_set() -> None:
    """0.7 V too much, as with an open sense lead (common practice)."""
    assert kinds(powered(unpowered(supply_off_v=0.7))) == [("supply sense", None)]


def test_standby_current_above_the_file() -> None:
    found = powered(unpowered(PaperUnit(standby_a=0.2)), unit_model(fingerprint=Fingerprint(standby_a=0.011)))
    assert kinds(found) == [("standby current", None)]
    read = value(found, "standby current")
    assert read.judgement == "outside"
    assert "last measured 0.011 A" in (read.reason or "")


def test_a_short_is_switched_off_before_its_remote_line_is_closed() -> None:
    """In limit at standby: never more than 2 A, never a tone."""
    paper = unpowered(PaperUnit(standby_a=9.0))
    found = powered(paper)
    assert kinds(found) == [("do not power", None)]
    assert "current limit" in (found.no_power or "")
    assert switching(paper) == [False, (24.0, 2.0, True), False, (24.0, 2.0, False)]
    assert paper.fired == []


def test_in_limit_for_longer_than_the_inrush_is_switched_off() -> None:
    """More than a second in limit after the second that is the inrush's (common practice)."""
    paper = unpowered(PaperUnit(idle_a=20.0))
    found = powered(paper)
    assert kinds(found) == [("do not power", None)]
    assert found.no_power is not None
    assert (paper.on, paper.remote_s) == (False, None)


def test_idle_current_far_above_the_window_is_not_driven() -> None:
    """1.2 A allowed, 1.5 times that are 1.8 A (common practice): a finding, no trip, and the unit stays on."""
    paper = unpowered(PaperUnit(idle_a=2.4))
    found = powered(paper)
    assert kinds(found) == [("no drive", None)]
    assert "idle current 2.4 A" in (found.no_drive or "")
    assert (found.no_power, found.trip) == (None, None)
    assert paper.on


def test_an_idle_current_that_does_not_settle() -> None:
    found = powered(unpowered(PaperUnit(unsteady_a=0.4)))
    assert ("idle not steady", None) in kinds(found)


@pytest.mark.parametrize("remote_line", [True, False])
def test_without_a_remote_contact_standby_is_not_measured(remote_line: bool) -> None:
    paper = unpowered(bench=bench_model(remote=not remote_line))
    paper.remote_s = -100.0
    unit = unit_model(remote_line=remote_line)
    answer = paper.answer

    def tied_on(request: Any) -> Any:
        return None if isinstance(request, Remote) else answer(request)

    found = drive_talk(first_power(job_of("first_power", unit, paper.bench)), tied_on)
    read = value(found, "standby current")
    assert (read.value, read.judgement) == (None, "not measured")
    assert "remote" in (read.reason or "")
    assert (paper.volts, paper.limit_a, paper.on) == (24.0, 25.0, True)


def test_a_directly_fed_stage_gets_its_rail_in_parts() -> None:
    """25, 50, 75, 100 % of 24 V under 2 A, the current read at each (common practice)."""
    paper = unpowered()
    found = powered(paper, unit_model(front_end="linear"))
    parts = [one for one in switching(paper) if isinstance(one, tuple)]
    assert parts == [(6.0, 2.0, True), (12.0, 2.0, True), (18.0, 2.0, True), (24.0, 2.0, True), (24.0, 25.0, True)]
    assert number(found, "current at 12 V") == pytest.approx(0.5, abs=0.005)
    assert kinds(found) == []
    assert value(found, "mute time").judgement == "not measured"


def test_a_directly_fed_stage_that_is_shorted_stops_at_the_first_part() -> None:
    paper = unpowered(PaperUnit(idle_a=40.0))
    found = powered(paper, unit_model(front_end="linear"))
    assert kinds(found) == [("do not power", None)]
    assert "25 % of the rail" in found.findings[0].sentence
    assert max(r.volts for r in paper.asked if isinstance(r, SetSupply) and r.on) == 6.0


def test_a_mains_unit_needs_a_person() -> None:
    """Nothing is asked of the bench at all."""
    paper = unpowered()
    found = powered(paper, unit_model(front_end="mains"))
    assert "person" in (found.reason or "")
    assert found.no_power is not None
    assert paper.asked == []


def test_never_louder_than_50_mv() -> None:
    paper = unpowered(PaperUnit(mute_s=5.0))
    powered(paper)
    assert {f.purpose for f in paper.fired} == {"check"}
    assert paper.highest_v <= 0.05 * 2**0.5 * 1.003  # 20 times are 26.02 dB


def test_from_where_an_output_follows() -> None:
    """A tone that is let through from 83 ms on, and not before."""
    paper = PaperBenchOfChecks(PaperUnit(mute_s=0.083, thump_v=0.5))
    paper.remote_s = 0.0
    shot = paper._shot(Fire(0.0025, 1000.0, 200, {"ch1": 5.0}, "check"), 0.201)
    at_s = follows_from(shot.records["ch1"], 1000.0, 200)
    assert at_s == pytest.approx(0.083, abs=0.003)
    assert excursion_v(shot.records["ch1"], 0.001, 0.083) == pytest.approx(0.5, abs=0.02)
    still = PaperBenchOfChecks(PaperUnit(mute_s=9.0))
    still.remote_s = 0.0
    assert follows_from(still._shot(shot.request, 0.201).records["ch1"], 1000.0, 200) is None
