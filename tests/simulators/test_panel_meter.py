"""meter-a against its page in simulators/panels/MANUALS.md, on a world whose volts are known in closed form."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from simulators.panels.meter_a import MeterA
from simulators.world.bench_truth import BenchTruth, MeterTruth
from tests.simulators.panel_talk import NO_ERROR, Talk, error
from tests.simulators.world_bench import ON_NS, S, channel, powered, unit

LEADS: dict[str, tuple[str, ...]] = {"output A": ()}
GAIN, EMF_VRMS = 10.0, 0.5  # of the bench of the worlds: 20 dB, an input that takes nothing


def at_rest(bench: BenchTruth | None = None, offset_v: float = 0.0) -> tuple[MeterA, Talk]:
    world = powered(unit(channel(offset_v=offset_v)), bench=bench)
    panel, talk = MeterA(world, "4", LEADS), Talk(ON_NS)
    world.fire(ON_NS, EMF_VRMS, 1000.0, 4000)
    talk.play(panel, [("CONF:VOLT:AC", None), ("VOLT:AC:RANG 5", None)])
    return panel, talk


def test_meter_transcript() -> None:
    panel, talk = MeterA(powered(unit()), "4", LEADS), Talk(ON_NS)
    talk.play(panel, [("*IDN?", "NORTHQUAY,TM-6,4,4.1"), ("VOLT:AC:RANG 1", None), error(-221, "Settings conflict")])
    talk.play(panel, [("CONFigure:VOLTage:AC", None), ("VOLT:AC:RANG?", "7.50000E+02"), ("VOLT:AC:BAND?", "20")])
    talk.play(panel, [("VOLT:AC:RANG 1.01", None), ("VOLTage:AC:RANGe?", "1.00000E+01"), ("VOLT:AC:NPLC 10", None)])
    talk.play(panel, [("VOLT:AC:NPLC?", "1.00000E+01"), ("VOLT:AC:BAND 50", None), error(-222, "Data out of range")])
    talk.play(panel, [("VOLT:AC:RANG 751", None), error(-222, "Data out of range"), ("VOLT:AC:BAND 200", None)])
    talk.play(panel, [("VOLT:AC:BAND?", "200"), ("CONF:VOLT:AC", None), ("VOLT:AC:BAND?", "20"), NO_ERROR])
    assert panel.cost_s("READ?") == pytest.approx(0.5 + 0.02)
    assert panel.cost_s("VOLT:AC:RANG 1") == pytest.approx(0.002)


def test_it_reads_true_rms_of_the_ac_part_alone() -> None:
    """0.5 V behind a gain of 10, no source resistance: 5 V rms by hand; 3 V of DC beside it changes nothing."""
    for offset_v in (0.0, 3.0):
        panel, talk = at_rest(offset_v=offset_v)
        assert float(talk.text(panel, "READ?")) == pytest.approx(GAIN * EMF_VRMS, rel=2e-5)


def test_a_clipped_tone_reads_its_own_rms() -> None:
    """A sine of twice the clip volts, flat at 30 V: mean square 1 - (2/pi)(asin x - ...) in closed form, x = 1/2."""
    world = powered(unit(), ohm=math.inf)
    panel, talk = MeterA(world, "4", LEADS), Talk(ON_NS)
    world.fire(ON_NS, 60.0 / GAIN / math.sqrt(2.0), 1000.0, 4000)
    talk.play(panel, [("CONF:VOLT:AC", None), ("VOLT:AC:RANG 100", None)])
    top = math.asin(0.5)  # the sine reaches 30 V there
    square = 60.0**2 * (2.0 / math.pi) * (top / 2.0 - math.sin(2.0 * top) / 4.0) + 30.0**2 * (1.0 - 2.0 * top / math.pi)
    assert float(talk.text(panel, "READ?")) == pytest.approx(math.sqrt(square), rel=1e-3)


def test_errors_and_overload() -> None:
    """0.3 % of every range and 0.1 % of the 10 V one: 5.02 V; 12 V is the most of the 10 V range."""
    panel, talk = at_rest(BenchTruth(meter=MeterTruth(error=0.003, range_errors={10.0: 0.001})))
    assert float(talk.text(panel, "READ?")) == pytest.approx(5.02, rel=2e-5)
    talk.play(panel, [("VOLT:AC:RANG 1", None), ("READ?", "+9.90000000E+37")])


def test_its_filter_forgets_what_came_before_and_sees_what_is_cut_short() -> None:
    """A reading that begins with the tone is settled (page: 0.5 s); one that outlasts it is too low by all means."""
    panel, talk = at_rest()
    assert float(talk.text(panel, "READ?")) == pytest.approx(5.0, rel=2e-5)
    talk.now_ns = ON_NS + 4 * S - 200_000_000
    assert float(talk.text(panel, "READ?")) < 2.0


def test_an_open_lead_reads_nothing() -> None:
    world = powered(unit())
    panel, talk = MeterA(world, "4", {"output A": ("115",)}), Talk(ON_NS)
    world.fire(ON_NS, EMF_VRMS, 1000.0, 4000)
    talk.play(panel, [("CONF:VOLT:AC", None), ("VOLT:AC:RANG 5", None), ("READ?", "+0.00000000E+00")])
    world.set_coils(talk.now_ns, frozenset({"101", "115"}))
    talk.now_ns += S
    assert float(talk.text(panel, "READ?")) == pytest.approx(5.0, rel=2e-5)


def test_ohms_where_a_person_put_its_leads() -> None:
    """470 ohm from the shell to the supply's minus; on an output, or with no lead anywhere, beyond 1e7."""
    world = powered(replace(unit(), input_ground_ohm=470.0))
    panel, talk = MeterA(world, "4", LEADS), Talk(ON_NS)
    talk.play(panel, [("CONF:RES", None), ("READ?", "+9.90000000E+37")])
    world.probes[0] = "input ground"
    talk.play(panel, [("READ?", "+4.70000000E+02"), ("VOLT:AC:RANG 5", None), error(-221, "Settings conflict")])
    assert panel.cost_s("READ?") == pytest.approx(0.2)
    talk.play(panel, [("CONF:VOLT:AC", None), ("VOLT:AC:RANG?", "7.50000E+02")])
