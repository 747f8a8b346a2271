"""Idle current and offset in four states, on paper: exponentials, a clock, and bounds as the method states them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pytest

from sequencer.measurements.idle_current import idle_current
from sequencer.measurements.output_offset import output_offset
from sequencer.measurements.values import Values
from tests.sequencer.paper_oven import PaperOven, heat_job, run
from tests.sequencer.paper_values import PaperBench, drive, steady

WINDOW = (0.8, 1.3)


def idle(oven: PaperOven, wait: str, **job: Any) -> Values:
    return run(idle_current(heat_job("idle_current", wait=wait, **job)), oven)


def offset(volts: float, wait: str, cold_v: float | None = None) -> Values:
    """One 8 ohm unit of two channels on the bench of steady currents; A has the offset."""
    earlier: tuple[Mapping[str, Any], ...] = ()
    if cold_v is not None:
        earlier = ({"id": "p001", "values": [{"name": "offset, cold", "channel": "A", "value": cold_v}]},)
    bench = PaperBench(idle={"ch1": steady(volts), "ch2": steady(0.001)})
    return drive(output_offset(heat_job("output_offset", wait=wait, earlier=earlier, last_drive_ns=0)), bench)


@pytest.mark.parametrize("wait", ["cold", "warm", "after drive", "cooled"])
def test_the_state_is_in_the_name(wait: str) -> None:
    found = idle(PaperOven({"A": 1.0, "B": 1.0}), wait, last_drive_ns=0)
    assert found.values[0].name == f"idle current, {wait}"
    assert {v.name for v in offset(0.003, wait).values} == {f"offset, {wait}"}


def test_after_drive_is_a_minute_after_the_last_burst() -> None:
    """60 s (common practice, no source): 20 s have passed, so about 40 more do; where 90 have, none."""
    for passed_s, at_s in ((20.0, 60.0), (90.0, 91.0)):
        oven = PaperOven({"A": 1.0, "B": 1.0}, now_s=passed_s)
        found = idle(oven, "after drive", last_drive_ns=0, window_a=WINDOW)
        assert found.values[0].judgement == "within"
        assert oven.read_at_s[-10] == pytest.approx(at_s, abs=1.5)  # the first of ten


def test_after_drive_where_nothing_was_driven() -> None:
    found = idle(PaperOven({"A": 1.0, "B": 1.0}), "after drive", window_a=WINDOW)
    assert found.values[0].judgement is None
    assert "had not been driven" in str(found.values[0].reason)
    assert found.values[0].value == pytest.approx(1.0)


def test_cooled_waits_for_an_exponential() -> None:
    """From 60 degC to an end of 22 + 12 x 1.2: 40 degC after 600 ln(23.6/3.6) = 1128 s."""
    found = idle(PaperOven({"A": 1.2, "B": 1.2}, start_c=60.0), "cooled", window_a=WINDOW)
    value, after = found.values
    assert value.judgement == "within"
    assert after.value == pytest.approx(600.0 * math.log(23.6 / 3.6), abs=31.0)


def test_cooled_in_a_hot_workshop_is_as_it_began() -> None:
    """It began at 43 degC in this run: within 3 K of that is cool enough (our own judgement)."""
    first = {"id": "p001", "start_heatsink_c": {"A": 43.0, "B": 43.0}}
    oven = PaperOven({"A": 1.2, "B": 1.2}, ambient_c=30.0, start_c=60.0)
    found = idle(oven, "cooled", window_a=WINDOW, earlier=(first,))
    assert found.values[0].judgement == "within"
    assert max(oven.celsius.values()) == pytest.approx(46.0, abs=0.8)


def test_never_cooled_is_recorded_and_not_judged() -> None:
    oven = PaperOven({"A": 1.2, "B": 1.2}, ambient_c=30.0, start_c=60.0)
    found = idle(oven, "cooled", window_a=WINDOW)
    assert found.values[0].judgement is None
    assert "after 45 min" in str(found.values[0].reason)
    assert 2700.0 <= oven.now_s < 2800.0


@pytest.mark.parametrize(
    ("amps", "kinds"),
    [
        (0.5, ["idle current low"]),
        (0.85, []),
        (1.25, []),
        (1.5, ["idle current high"]),
        (2.1, ["no drive"]),
    ],
)
@pytest.mark.parametrize("wait", ["cold", "warm"])
def test_outside_the_window_is_found(amps: float, kinds: list[str], wait: str) -> None:
    """0.8 to 1.3 A; above 1.5 x 1.3 = 1.95 A it is not driven (common practice, no source)."""
    found = idle(PaperOven({"A": 0.1, "B": 0.1}, idle_a=amps), wait, window_a=WINDOW)
    assert [f.kind for f in found.findings] == kinds
    if kinds and kinds != ["no drive"]:
        assert f"{amps:g} A, {wait}" in found.findings[0].sentence


@pytest.mark.parametrize("wait", ["warm", "after drive", "cooled"])
def test_an_offset_that_heat_brings(wait: str) -> None:
    """4 mV cold and 44 mV now, within 20 mV declared: it comes with heat. Cold already doubtful: no news. The input's
    own offset is within 20 mV here, 19 of them in 95 % (JCGM 100, 4.3.7)."""
    (found,) = offset(0.044, wait, cold_v=0.004).findings
    assert (found.kind, found.channel) == ("offset warm", "A")
    assert "44 mV" in found.sentence
    assert "4 mV cold" in found.sentence
    assert [f.kind for f in offset(0.044, wait, cold_v=0.027).findings] == ["offset doubtful"]
    assert [f.kind for f in offset(0.044, wait).findings] == ["offset doubtful"]
    assert offset(0.012, wait, cold_v=0.004).findings == ()
    assert [f.kind for f in offset(0.15, wait, cold_v=0.004).findings] == ["no drive"]


@pytest.mark.parametrize(
    ("volts", "cold_v", "kinds"),
    [
        (0.032, 0.004, ["offset warm"]),
        (0.032, 0.014, []),
        (0.032, None, []),
        (0.012, -0.018, []),
        (0.075, -0.022, ["offset warm"]),
        (-0.045, -0.068, ["offset doubtful"]),
    ],
)
def test_what_heat_adds_is_known_better_than_the_offset(volts: float, cold_v: float | None, kinds: list[str]) -> None:
    """32 +- 19 mV prove nothing against 20 mV. The input's offset is the same in both readings (JCGM 100, 5.2): 28 mV
    of change are known to fractions of a step of 0.24 mV, and are above 20 mV; 18 mV are not. What ends within its
    bound, or has become less, is not brought by heat."""
    assert [f.kind for f in offset(volts, "warm", cold_v).findings] == kinds


def test_a_runaway_while_an_offset_is_waited_for_trips() -> None:
    """The same watch as for the idle current: + 20 % within 60 s (common practice, no source)."""
    bench = PaperBench(idle={"ch1": steady(0.0), "ch2": steady(0.0)}, amps=lambda t_s: 0.5 * 1.01**t_s)
    found = drive(output_offset(heat_job("output_offset", wait="warm")), bench)
    assert found.trip is not None
    assert found.reason == found.trip
    assert bench.quiet == []
