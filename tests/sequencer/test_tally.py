"""Joules told beside a point's results, against closed forms of a sine in a resistance and of class B, on paper: the
records and the meter readings are the test's own."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from sequencer.analysis.records import Record
from sequencer.measurements.requests import BenchReading, Connect, Fire, Purpose, Quiet, Shot
from sequencer.measurements.tally import Tally, shared
from sequencer.plan.models import Fingerprint, Lead, Unit
from tests.wire.wire_bench import declared_bench, declared_unit

BENCH = declared_bench(channels="AB").model
OHM = BENCH.load["8R"].ohm
CREST_V, SUPPLY_V, RAIL_V = 20.0, 24.0, 30.0
BURST_S, TONE_S = 0.02, 2.0
SINE_J = CREST_V**2 / 2.0 * sum(1.0 / ohm for ohm in OHM.values()) * BURST_S  # V^2 t / 2R
MEAN_A = 2.0 / math.pi * CREST_V * sum(1.0 / ohm for ohm in OHM.values())  # rectified mean, both channels


def unit(**changed: object) -> Unit:
    idle = Fingerprint(idle_a=0.0)
    return declared_unit(RAIL_V, channels="AB").model_copy(
        update={"front_end": "linear", "fingerprint": idle} | changed
    )


def record(volts: np.ndarray, start_s: float, each_s: float) -> Record:
    return Record(volts, each_s, start_s, 0.01, 40.0, False, 12)


def sine(start_s: float, end_s: float, signal_s: float, each_s: float = 1e-6) -> Record:
    """1 kHz of CREST_V from 0 to signal_s, seen from start_s to end_s."""
    times = start_s + each_s * np.arange(round((end_s - start_s) / each_s))
    volts = np.where((times >= 0.0) & (times < signal_s), CREST_V * np.sin(2e3 * math.pi * times), 0.0)
    return record(volts, start_s, each_s)


def shot(records: Mapping[str, Record], cycles: int, last_s: float | None = None, amps: float = 0.0) -> Shot:
    purpose: Purpose = "ramp" if last_s is None else "soak"
    request = Fire(1.0, 1000.0, cycles, dict.fromkeys(records, 40.0), purpose, last_s=last_s)
    return Shot(1, request, 1.0, records, 10**9, False, None, SUPPLY_V, amps)


def burst(*inputs: str) -> Shot:
    return shot({name: sine(-0.0005, BURST_S + 0.0005, BURST_S) for name in inputs}, 20)


def tone(amps: float) -> Shot:
    """2 s, of which the record shows the last 0.1 s, and 2 ms of what comes after it by the test's own clock."""
    seen = sine(TONE_S - 0.1, TONE_S + 0.002, TONE_S, 1e-5)
    return shot({"ch1": seen, "ch2": seen}, 2000, 0.1, amps)


def tally(asked: Unit | None = None) -> Tally:
    found = Tally(asked or unit(), BENCH.model_copy(update={"lead": {}}))
    found.begin("8R", ("A", "B"), SUPPLY_V)
    return found


def hear(found: Tally, one: Shot) -> None:
    found.hear(one.request, one)


def test_a_burst_of_ideal_class_b() -> None:
    """Into the loads V^2 t / 2R; out of rails of 30 V 30 x 2 V / (pi R), textbook; the difference is heat."""
    found = tally()
    hear(found, burst("ch1", "ch2"))
    row = found.take()
    assert row["energy_load_j"] == pytest.approx(SINE_J, rel=1e-5)
    assert row["energy_unit_j"] == pytest.approx(RAIL_V * MEAN_A * BURST_S - SINE_J, rel=1e-4)
    assert "an estimate: rail 30.0 V, converter 100 %" in row["energy_note"]


def test_a_converter_and_the_idle_current_count() -> None:
    """85 % (the file's kind of front end says that there is one), and 1.2 A x 24 V for 20 ms, read in silence."""
    found = tally(unit(front_end="converter"))
    found.hear(Quiet(0.2, {}), BenchReading(SUPPLY_V, 1.2, False, None, {}, 0))
    hear(found, burst("ch1", "ch2"))
    drawn_j = RAIL_V / 0.85 * MEAN_A * BURST_S + 1.2 * SUPPLY_V * BURST_S
    assert found.take()["energy_unit_j"] == pytest.approx(drawn_j - SINE_J, rel=1e-4)


def test_a_steady_tone_by_the_meter() -> None:
    """24 V x 5 A x 2 s less V^2 t / 2R: the last 0.1 s stand for the whole of it, and what follows it for nothing."""
    found = tally()
    hear(found, tone(5.0))
    row = found.take()
    load_j = SINE_J * TONE_S / BURST_S
    assert row["energy_load_j"] == pytest.approx(load_j, rel=5e-3)
    assert row["energy_unit_j"] == pytest.approx(SUPPLY_V * 5.0 * TONE_S - row["energy_load_j"], rel=1e-9)
    assert "supply's meter" in row["energy_note"]


def test_the_lead_is_no_part_of_the_unit() -> None:
    """I^2 R of 12 milliohm at 5 A for 2 s: 0.6 J."""
    readings = []
    for lead in ({}, {"supply": Lead(ohm=0.012)}):
        found = Tally(unit(), BENCH.model_copy(update={"lead": lead}))
        found.begin("8R", ("A", "B"), SUPPLY_V)
        hear(found, tone(5.0))
        readings.append(found.take()["energy_unit_j"])
    assert readings[0] - readings[1] == pytest.approx(0.6, abs=1e-9)


def test_its_own_steady_tones_tell_what_a_burst_draws() -> None:
    """A unit that draws 41 W for each ampere in its loads, and 1 A at rest: told from the tone's meter, the burst then
    follows by the same law."""
    found = tally()
    found.hear(Quiet(0.2, {}), BenchReading(SUPPLY_V, 1.0, False, None, {}, 0))
    hear(found, tone((41.0 * MEAN_A + SUPPLY_V) / SUPPLY_V))
    found.take()
    hear(found, burst("ch1", "ch2"))
    row = found.take()
    assert row["energy_unit_j"] == pytest.approx((41.0 * MEAN_A + SUPPLY_V) * BURST_S - SINE_J, rel=5e-3)
    assert "as under its steady tones" in row["energy_note"]


def test_a_reading_under_signal_is_no_idle_current() -> None:
    """The reservoir still recharges 0.1 s after a burst; half a second later nothing flows but what is always drawn."""
    found = tally()
    hear(found, burst("ch1", "ch2"))
    fired_ns = 10**9
    found.hear(Quiet(0.2, {}), BenchReading(SUPPLY_V, 9.0, False, None, {}, fired_ns + 10**8))
    before = found.take()["energy_unit_j"]
    hear(found, burst("ch1", "ch2"))
    found.hear(Quiet(0.2, {}), BenchReading(SUPPLY_V, 1.0, False, None, {}, fired_ns + 5 * 10**8))
    assert found.take()["energy_unit_j"] - before == pytest.approx(SUPPLY_V * BURST_S, rel=1e-6)


def test_class_d_is_told_as_an_upper_bound() -> None:
    """Class D keeps some 10 % (common practice, no source): what is told is never below that."""
    found = tally(unit(output_class="D"))
    hear(found, tone(5.0))
    found.take()
    hear(found, burst("ch1", "ch2"))
    row = found.take()
    assert row["energy_unit_j"] > 0.1 * SINE_J
    assert "upper bound" in row["energy_note"]


def test_a_channel_that_no_input_saw_is_like_the_other() -> None:
    found = tally()
    hear(found, burst("ch1"))
    row = found.take()
    assert row["energy_load_j"] == pytest.approx(2.0 * CREST_V**2 / 2.0 / OHM["A"] * BURST_S, rel=1e-5)
    assert "B unseen" in row["energy_note"]


def test_what_is_connected_counts() -> None:
    """One channel only, then none: joules of one channel, then nought (V^2 t / 2R)."""
    found = tally()
    found.hear(Connect("8R", ("B",)), None)
    hear(found, burst("ch1", "ch2"))
    assert found.take()["energy_load_j"] == pytest.approx(CREST_V**2 / 2.0 / OHM["B"] * BURST_S, rel=1e-5)
    found.hear(Connect(None, ()), None)
    hear(found, burst("ch1", "ch2"))
    assert found.take()["energy_load_j"] == 0.0


def test_every_shot_counts_once_and_silence_for_nothing() -> None:
    found = tally()
    assert found.take() == {}
    found.hear(Quiet(0.2, {"ch1": 0.1}), burst("ch1", "ch2"))
    assert found.take() == {}
    for _ in range(3):
        hear(found, burst("ch1", "ch2"))
    assert found.take()["energy_load_j"] == pytest.approx(3.0 * SINE_J, rel=1e-5)
    assert found.take() == {}


def test_points_that_were_searched_together_add_up() -> None:
    rows = shared({"energy_load_j": 3.0, "energy_unit_j": 2.0, "energy_note": "x"}, 2, "p001")
    assert [sum(row[key] for row in rows) for key in ("energy_load_j", "energy_unit_j")] == [3.0, 2.0]
    assert "p001" in rows[1]["energy_note"]
    assert shared({}, 2, "p001") == [{}, {}]
