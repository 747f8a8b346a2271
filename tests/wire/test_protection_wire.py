"""Protection over real sockets against what is planted: amps, delay, return, the remote line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sequencer.measurements.values import Values
from simulators.world.unit_truth import ProtectionTruth
from tests.wire.unit_nights import kinds, night, plan, sound, stage, truths, with_remote

ALONE = plan(stage("protection", ("4R",)))


def value(found: Values, name: str, channel: str | None = None) -> float | None:
    return next(v.value for v in found.values if (v.name, v.channel) == (name, channel))


def test_the_unit_of_the_batch_that_cuts_in_at_4_ohm() -> None:
    """Planted: above 5.2 A for 3 ms, back 1.5 s later; never into 8 ohm (31 V over 8 ohm = 3.9 A). A rise is at most
    1 dB, meters are within 2.1 % (range and probe)."""
    asked = plan(stage("output_power", ("8R",), "20 cycles"), stage("protection", ("8R", "4R")))
    found = night(truths()["MV-0134"], asked)
    (eight, at_8), (four, at_4) = found.values
    assert (eight["outcome"], four["outcome"]) == ("measured", "measured")
    assert "did not cut in" in (at_8.values[0].reason or "")
    for channel in "AB":
        amps = value(at_4, "cut-in amps", channel)
        assert amps is not None
        assert 5.2 * 0.979 <= amps <= 5.2 * 10 ** (1.0 / 20.0) * 1.021
        assert value(at_4, "cut-in cycle", channel) == 4.0
        assert value(at_4, "cut-in time", channel) == pytest.approx(0.0033, abs=0.0004)
        assert value(at_4, "gain after return, change", channel) == pytest.approx(0.0, abs=0.05)
        assert value(at_4, "offset after return, change", channel) == pytest.approx(0.0, abs=0.002)
    (back,) = [v for v in at_4.values if v.name == "return time"]
    assert back.value is not None
    assert back.expanded_uncertainty is not None
    assert back.value - back.expanded_uncertainty <= 1.5 <= back.value
    assert back.judgement == "within"
    assert four["needed_remote"] is False
    assert kinds(found) == ["protection early"]


def test_a_sound_unit_is_not_found_to_cut_in() -> None:
    """Nothing planted: an answer without a value, no finding, and at most 1 dB above the clip its file expects."""
    found = night(sound(), ALONE)
    ((row, seen),) = found.values
    assert (row["outcome"], row["reason"]) == ("measured", None)
    assert [v.value for v in seen.values] == [None]
    assert kinds(found) == []


def test_one_that_holds_until_the_remote_line_was_off() -> None:
    """Planted: no return by itself; the remote line off for 5 s gives the outputs back."""
    wired, declared = with_remote()
    truth = replace(sound(), protection=ProtectionTruth(over_a=5.2, delay_s=0.003))
    ((row, seen),) = night(truth, ALONE, wired, declared).values
    assert row["outcome"] == "measured"
    assert row["needed_remote"] is True
    (back,) = [v for v in seen.values if v.name == "return time"]
    assert back.judgement == "outside"
    assert back.value is not None
    assert back.value > 60.0
    assert [f.kind for f in seen.findings] == ["protection early", "protection holds"]


def test_one_that_never_returns_is_made_safe() -> None:
    """No remote line is wired: a trip with its sentence, and the end state confirmed."""
    truth = replace(sound(), protection=ProtectionTruth(over_a=5.2, delay_s=0.003))
    found = night(truth, ALONE)
    ((row, seen),) = found.values
    assert row["outcome"] == "tripped"
    assert seen.trip is not None
    assert "did not come back" in seen.trip
    assert found.safe[-1].confirmed


def test_after_a_hit_in_a_search_the_outputs_are_waited_for() -> None:
    """Planted: back after 20 s. The gain that is measured next, at a harmless level, finds them there."""
    truth = replace(sound(), protection=ProtectionTruth(over_a=5.2, delay_s=0.003, returns_after_s=20.0))
    found = night(truth, plan(stage("output_power", ("4R",), "8 cycles"), stage("gain", ("8R",))))
    assert found.points[0].row["stopped_by"] == "protection"
    ((row, seen),) = found.values
    assert row["outcome"] == "measured"
    assert value(seen, "gain at 1 kHz", "A") == pytest.approx(sound().channels[0].gain_db, abs=0.2)
