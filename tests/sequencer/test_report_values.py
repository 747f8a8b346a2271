"""Sections of single values, the reference unit's two runs, and the short table at the end of a long night."""

from __future__ import annotations

import math
from typing import Any

import pytest

from sequencer.report.batch import batch
from sequencer.report.blocks import Table, gathered, heads
from sequencer.report.how_sections import how, instruments
from sequencer.report.judged import judgements
from sequencer.report.lines import point_line
from sequencer.report.power_sections import power
from sequencer.report.tables import points_table
from sequencer.report.twice import marks, sentences
from sequencer.report.value_sections import table, values
from tests.sequencer.ledger_rows import channel, point, refused_point
from tests.sequencer.report_nights import power_of, run


def value(name: str, seen: float | None, unit: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "value": seen, "unit": unit} | more


def point_of(measurement: str, *found: dict[str, Any], number: int = 1, **more: Any) -> dict[str, Any]:
    return {"id": f"p{number:03d}", "measurement": measurement, "outcome": "measured", "values": list(found)} | more


def sections(*points: dict[str, Any]) -> dict[str, Any]:
    return {section.title: section for section in values(run(*points))}


def test_the_four_states_of_heat_stand_in_one_table_in_their_order() -> None:
    """The order in which a unit is heated and cools: cold, warm, after drive, cooled (the night's own states)."""
    states = [("cooled", 1.16), ("cold", 1.12), ("after drive", 1.18), ("warm", 1.15)]
    told = sections(
        *(point_of("idle_current", value(f"idle current, {s}", a, "A"), number=i) for i, (s, a) in enumerate(states)),
        point_of("output_offset", value("offset, cold", 0.0071, "V", channel="A"), number=9),
    )  # fmt: skip
    held = told["Idle current and offset"].tables[0]
    assert [row[0] for row in held.rows] == ["cold", "warm", "after drive", "cooled"]
    assert [head.text for head in held.heads] == ["state", "idle A", "offset V, A"]
    assert [row[1] for row in held.rows] == ["1.120", "1.150", "1.180", "1.160"]
    assert held.rows[0][2] == "0.007100"


def test_a_thump_is_no_hum() -> None:
    """Trade words (glossary): a thump is heard once at power-on, hum lasts."""
    told = run(
        point_of("first_power", value("thump", 0.4, "V peak", channel="A")),
        point_of("bench_check", value("hum 50 Hz", 0.0004, "Vrms", channel="A"), number=2),
    )
    assert [row[1] for row in table(told, "Noise")[0].rows] == ["hum 50 Hz"]
    assert [row[1] for row in table(told, "How it was measured")[0].rows] == ["thump"]


def test_the_same_state_twice_loses_no_value() -> None:
    """Two cold readings: the first in the table of states, the second below it."""
    told = sections(
        *(point_of("idle_current", value("idle current, cold", a, "A"), number=i) for i, a in ((1, 1.1), (2, 1.3)))
    )
    texts = " ".join(cell for t in told["Idle current and offset"].tables for row in t.rows for cell in row)
    assert "1.1" in texts
    assert "1.3" in texts


def test_ranges_of_two_inputs_are_one_line() -> None:
    """Both channels of the same pair of ranges are read against each other: one line, a column each."""
    checks = point_of(
        "bench_check",
        value("range of ch1, 0.4 V against 0.8 V", 0.0065, "dB", channel="A"),
        value("range of ch2, 0.4 V against 0.8 V", -0.0040, "dB", channel="B"),
    )
    (only,) = table(run(checks), "How it was measured")
    assert len(only.rows) == 1
    assert "input range, 0.4 V against 0.8 V" in only.rows[0]


def test_a_long_remark_is_told_once_below_its_table() -> None:
    why = "level and flatness of generator and digitiser are not declared, and not in the uncertainty"
    told = sections(
        point_of("gain", value("gain at 1 kHz", 26.0, "dB", reason=why), value("gain at 2 kHz", 26.1, "dB", reason=why))
    )
    (only,) = told["Response"].tables
    assert only.note.count(why) == 1
    assert [row[-1] for row in only.rows] == ["(a)", "(a)"]


def test_efficiency_says_what_it_was_made_from() -> None:
    """55.8 % = 212.8 W out of 23.78 V x 16.04 A, to the rounding of the inputs (output over input, by definition)."""
    part = {
        "part": 1.0, "power_w": {"A": 106.4, "B": 106.4}, "supply_v": 23.98, "at_unit_v": 23.78, "supply_a": 16.04,
        "efficiency_pct": 100.0 * 212.8 / (23.78 * 16.04), "expanded_uncertainty_pct": 1.5, "heat_w": 168.6,
    }  # fmt: skip
    told = sections(
        point_of("steady_efficiency", value("efficiency at full power", 55.8, "%"), efficiency_points=[part])
    )
    rows = told["Efficiency"].tables[0].rows
    assert len(told["Efficiency"].tables) == 1, "the same figure stands once"
    assert "55.8 ±1.5" in rows[0]
    assert "full" in rows[0]


def test_protection_has_its_own_section_and_says_how_it_came_back() -> None:
    for needed, said in ((False, "by itself"), (True, "remote contact")):
        told = sections(
            point_of("protection", value("cut-in level", 21.4, "V peak", channel="A"), needed_remote=needed)
        )
        assert said in told["Protection"].says[0]


def reference(run_id: str, begun: str, watts: float, amps: float) -> dict[str, Any]:
    idle = point_of("idle_current", value("idle current, cold", amps, "A"), number=2)
    return run(power_of(watts), idle, serial="MV-0131", run_id=run_id) | {"reference": True, "begun": begun}


def test_the_reference_units_runs_are_marked_and_compared() -> None:
    """10 lg(W/W): 2 % of power is 0.086 dB; amps by 1.5 %."""
    first = reference("rb", "2026-01-05T22:00:00+00:00", 100.0, 1.0)
    last = reference("ra", "2026-01-06T04:00:00+00:00", 102.0, 1.015)
    assert marks([last, first]) == {"rb": "reference, first", "ra": "reference, last"}
    (told,) = sentences([last, first])
    assert f"+{10.0 * math.log10(1.02):.3f} dB" in told
    assert "+2.00 %" in told
    assert "+1.50 %" in told


def test_a_unit_measured_twice_counts_once_among_the_others() -> None:
    """A median counts units, not runs."""
    first = reference("ra", "2026-01-05T22:00:00+00:00", 100.0, 1.0)
    last = reference("rb", "2026-01-06T04:00:00+00:00", 100.0, 1.0)
    others = [run(power_of(w), serial=s, run_id=s) for s, w in (("MV-1", 90.0), ("MV-2", 95.0))]
    page = batch({"runs": [first, *others, last], "suspect": None}, {r: r for r in ("ra", "rb", "MV-1", "MV-2")})
    assert page.title == "Batch of 3 units"
    assert {one.units for one in page.spreads} == {3}
    assert [u.told.rpartition("; ")[2] for u in page.units if u.serial == "MV-0131"] == [
        "reference, first",
        "reference, last",
    ]


@pytest.mark.parametrize("runs", [1, 2])
def test_a_long_night_of_several_units_ends_in_a_short_table(runs: int) -> None:
    """Values are on paper: of several units only powers, reasons once, and a count of values."""
    many = point_of("bench_check", *(value(f"check {i}", 1.0, "V") for i in range(41)), number=90)
    reason = "the unit's protection cut in on this load before"
    points = [point(), many, *(refused_point() | {"id": f"p{i}", "reason": reason} for i in range(11, 22))]
    night = {
        "format": 1,
        "suspect": None,
        "runs": [run(*points, serial=f"MV-{i}", run_id=f"r{i}") for i in range(runs)],
    }
    told = points_table(night)
    assert told.count(reason) == (11 if runs == 1 else 2)
    assert ("so are 10 more" in told) == (runs > 1)
    assert ("41 single values" in told) == (runs > 1)
    assert told.count("interpolated to the stop limit") == 1


# --- how and with what ----------------------------------------------------------------------------


def terms(section: Any) -> dict[str, str]:
    return dict(section.terms)


def test_instruments_are_told_with_serial_and_date_of_calibration() -> None:
    """As the bench check kept them; what the bench's file does not say is said to be missing."""
    kept = {
        "generator": {"serial": "FG-1", "calibrated": "2025-11-03"},
        "load_switch": {"serial": "RB-2", "calibrated": None},
    }
    told = terms(instruments(run(point_of("bench_check", value("clock", 21.9, "ppm"), instruments=kept))))
    assert told["Serial, calibrated"] == "generator FG-1, 2025-11-03; load switch RB-2, no date in the bench's file"
    assert terms(instruments(run(point())))["Serial, calibrated"] == "not kept in these results"


def test_how_joules_came_to_be_known_is_told_once() -> None:
    """Three rows, two of one kind: each clause once, with what differs between rows."""
    law = "loads by the records; unit in bursts by the class B law and its idle current, "
    notes = [f"{law}an estimate", f"{law}38.2 W", f"{law}38.2 W", "searched together with p001"]
    told = terms(how(run(*(point(f"p{i}", energy_note=note) for i, note in enumerate(notes)))))["Energy"]
    expected = "Loads by the records; unit in bursts by the class B law and its idle current (an estimate, or 38.2 W)."
    assert told == expected
    assert "Energy" not in terms(how(run(point())))


def test_what_every_row_says_is_said_once_below() -> None:
    rows = (("p1", "main", "1"), ("p2", "main", "2"), ("p3", "main", "3"))
    table_of = gathered(Table(heads("point", "rail", ">V"), rows, "A note."))
    assert [head.text for head in table_of.heads] == ["point", "V"]
    assert table_of.rows == (("p1", "1"), ("p2", "2"), ("p3", "3"))
    assert table_of.note == "In every row rail: main. A note."
    two = Table(heads("point", "rail"), rows[:2])
    assert gathered(two) is two
    assert gathered(Table(heads("a", "b"), (("", "x"), ("", "y"), ("", "z")))).heads == heads("a", "b")


def test_small_volts_of_noise_are_told_in_millivolts() -> None:
    """0.000423 V is 0.423 mV, and so is its uncertainty."""
    hum = [value("hum 50 Hz", 0.0004234, "Vrms", channel=c) for c in "AB"]
    sure = value("hum 100 Hz", 0.0004234, "Vrms", channel="A", expanded_uncertainty=0.00001)
    large = value("noise", 0.0234, "Vrms", channel="A")
    told = table(run(point_of("bench_check", *hum, sure, large)), "Noise")[0].rows
    assert [row[1] for row in told] == ["A 0.4234, B 0.4234 mVrms", "A 0.423 ±0.010 mVrms", "A 0.02340 Vrms"]


def test_one_channel_alone_is_told_apart_in_the_drawings() -> None:
    """The same burst with both channels and with each alone: three lines of the ladder, not one."""
    both, alone = point("p1"), point("p2", channels=[channel("B")], channels_driven=["B"])
    drawn = str(power(run(both, alone)).drawings[0].svg)
    assert "20 cycles, B alone" in drawn
    assert "A alone" not in drawn


def test_what_lies_beyond_the_tones_is_not_called_not_seen() -> None:
    """The words of this project's own reports: a figure that no tone reached, beside one that nobody saw."""
    why = "beyond the tones (below 20 Hz): -0.31 dB there, the lowest"
    told = run(
        point_of(
            "frequency_response",
            value("-3 dB re 1 kHz, lower", None, "Hz", channel="A", reason=why),
            value("gain at 1 kHz", None, "dB", channel="A", judgement="not measured", reason="no output"),
        )
    )
    readings = [row[-3] for row in table(told, "Response")[0].rows]
    assert readings == ["A beyond the tones (below 20 Hz)", "A not seen"]


def test_a_line_tells_what_nobody_could_measure_apart_from_what_is_within() -> None:
    """Six values that a person would have had to be there for are no "0 of 6 within"."""
    absent = {"judgement": "not measured", "reason": "nobody there: a person must connect the capacitor"}
    caps = [value("on the crests, with 10 nF", None, "Vrms", channel=n) | absent for n in "ABABAB"]
    seen = value("on the crests", 0.004, "Vrms", channel="A", judgement=None, reason=None)
    line = point_line("MV-0117", point_of("stability", seen, *caps, load="8R"))
    assert line.endswith("; 6 not measured: nobody there")
    assert "within" not in line
    mixed = [seen | {"judgement": "within"}, seen | {"judgement": "outside"}, caps[0], caps[1] | {"reason": "too fast"}]
    assert point_line("MV-0117", point_of("stability", *mixed, load="8R")).endswith("; 1 of 2 within; 2 not measured")


def test_the_cycles_of_an_endurance_stand_below_its_values() -> None:
    """One line for each cycle and channel, cold and after the work."""
    one = {
        "cycle": 1, "channel": "A", "rested_s": 120.0, "cold_heatsink_c": 23.0, "after_heatsink_c": 51.4,
        "cold_offset_v": 0.0031, "after_offset_v": 0.0332, "cold_gain_db": 26.02, "after_gain_db": 26.01,
        "cold_small_less_db": -0.02, "after_small_less_db": -1.4, "small_power_w": 1.0, "loud_power_w": 7.5,
        "bursts": 90, "bursts_with_dropout": 2, "furthest_db": -12.04, "longest_s": 0.05,
    }  # fmt: skip
    calm = one | {"channel": "B", "bursts_with_dropout": 0, "furthest_db": None, "longest_s": None}
    dropped = value("bursts with a drop-out", 2.0, "bursts", channel="A", judgement="outside", reason="none")
    told = sections(point_of("endurance", dropped, endurance_cycles=[one, calm]))
    below = told["Endurance"].tables[-1]
    assert below.rows[0] == (
        "1", "A", "2", "23.0 → 51.4", "3.10 → 33.2", "26.02 → 26.01", "−0.020 → −1.4", "1.00", "7.50", "2 of 90",
        "−12.0 dB",
    )  # fmt: skip
    assert below.rows[1][-2:] == ("none", "")
    assert len(below.heads) == len(below.rows[0])


def test_what_lies_below_the_floor_is_told_as_less_than_it() -> None:
    """A dash would say that nothing was seen."""
    value = {"name": "highest THD", "value": None, "unit": "%", "channel": "A", "judgement": "within"}
    value["reason"] = "1 % is rated; highest at 50 W; below floor, less than 0.012 %"
    run = {"points": [{"id": "p001", "measurement": "thd_by_level", "values": [value]}], "unit": {}}
    (judged,) = judgements(run)
    assert judged.reading == "< 0.012 %"
