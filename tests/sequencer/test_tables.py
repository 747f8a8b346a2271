"""The plain-text table. Rounding after JCGM 100, 7.2.6: uncertainty to two digits, value to its place."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.ledger.rows import Results, checked
from sequencer.report.tables import points_table
from tests.sequencer.ledger_rows import LATER, channel, head, point, refused_point

AVOIDED = """
    sequence step sweep recipe procedure profile verdict pass fail failed passed station fixture plug dut uut
    experiment engine dashboard monitor operator parameter skipped abort teardown sink adapter dataset project
"""


def results(*points: dict[str, Any], **more: Any) -> dict[str, Any]:
    run = head() | {"outcome": "finished", "ended": LATER, "points": list(points)} | more
    return checked(Results, {"format": 1, "runs": [run]}).model_dump()


def line(table: str, begins: str) -> str:
    return next(text for text in table.splitlines() if text.startswith(begins))


def watts(power_w: float, expanded_w: float | None) -> str:
    one = channel(power_w=power_w, power_expanded_uncertainty_w=expanded_w, power_at_limit_w=None)
    cells = re.split(r"\s{2,}", line(points_table(results(point(channels=[one]))), "p001"))
    return cells[6]


@pytest.mark.parametrize(
    ("power_w", "expanded_w", "shown"),
    [
        (112.31, 2.41, "112.3 ±2.4"),
        (112.31, 24.1, "112 ±24"),
        (1234.0, 238.0, "1230 ±240"),
        (9.8765, 0.213, "9.88 ±0.21"),
        (9.8765, 0.0996, "9.88 ±0.10"),
        (0.01234, 0.00056, "0.01234 ±0.00056"),
        (112.31, None, "112.3"),
        (112.31, 0.0, "112.3"),
    ],
)
def test_watts_end_where_their_uncertainty_does(power_w: float, expanded_w: float | None, shown: str) -> None:
    """Worked by hand after JCGM 100, 7.2.6."""
    assert watts(power_w, expanded_w) == shown


def test_a_points_line_says_what_was_measured() -> None:
    """The row's own numbers, each in its column; the second channel on the line below."""
    table = points_table(results(point()))
    first = re.split(r"\s{2,}", line(table, "p001"))
    assert first == [
        "p001", "4R", "20 cycles 1 kHz", "1.270", "A", "112.5 ±2.4", "112.3 ±2.4", "0.97 (0.02)", "24.10",
        "9", "1 % THD, A",
    ]  # fmt: skip
    below = table.splitlines()[table.splitlines().index(line(table, "p001")) + 1]
    assert re.split(r"\s{2,}", below.strip()) == ["B", "112.5 ±2.4", "110.1 ±2.4", "0.97 (0.02)"]
    assert below.index("B") == line(table, "p001").index("A")
    heads = re.split(r"\s{2,}", line(table, "point"))
    assert heads == [
        "point",
        "load",
        "drive",
        "level V",
        "ch",
        "W at limit",
        "W accepted",
        "% (floor)",
        "rail V",
        "shots",
        "stopped by",
    ]


@pytest.mark.parametrize(
    ("more", "shown"),
    [
        ({"cycles": 1, "frequency_hz": 50.0}, "1 cycle 50 Hz"),
        ({"cycles": 8, "frequency_hz": 1250.0}, "8 cycles 1.25 kHz"),
        ({"cycles": 2000, "steady": True}, "steady 2 s 1 kHz"),
    ],
)
def test_drives_in_words(more: dict[str, Any], shown: str) -> None:
    """2000 cycles of 1 kHz last 2 s."""
    assert f"  {shown}  " in points_table(results(point(**more)))


def test_what_was_not_measured_says_why() -> None:
    """Never an empty cell in place of a reason."""
    table = points_table(
        results(
            refused_point("p001", "rail not declared"),
            refused_point("p002", "never within the limit", lowest_thd_pct=1.634, lowest_thd_power_w=4.02),
            refused_point("p003", "heat sink at 86 degC", outcome="tripped"),
        )
    )
    assert "not measured: rail not declared" in line(table, "p001")
    assert "not measured: never within the limit; lowest 1.6 % at 4.0 W" in table
    assert "tripped: heat sink at 86 degC" in line(table, "p003")
    assert "0 of 3 points measured" in table


def test_few_cycles_show_their_burst_residual() -> None:
    """Plain THD of one cycle behind a coupling capacitor says nothing of the unit."""
    one = channel(burst_residual_pct=0.81, burst_residual_floor_pct=0.05, thd_pct=4.2)
    table = points_table(results(point(cycles=1, judged_by="burst_residual", channels=[one])))
    assert "0.81 (0.05)" in table
    assert "4.2" not in table
    assert "1 % residual, A" in table
    assert "residual: of a burst of few cycles" in table


def test_below_floor_bridged_rail_and_ceiling_are_said_in_words() -> None:
    """Marks are explained beneath, and only those that occur."""
    plain = points_table(results(point()))
    assert "bridged" not in plain
    one = channel(bridged=True, thd_pct=0.01)
    table = points_table(
        results(
            point(channels=[one], stopped_by="generator_ceiling", rail_note="rail moved"),
            point("p002", rails=[]),
        )
    )
    assert "below (0.02)" in table
    assert "A b  " in table
    assert "b: bridged" in table
    assert "24.10 m" in table
    assert "m: the rail moved" in table
    assert "rail -: not seen" in table
    assert "generator ceiling, A (limit 1 % THD)" in table


def test_other_measurements_show_their_values() -> None:
    """Name, channel, value with uncertainty and unit, judgement."""
    values = [
        {
            "name": "offset",
            "channel": "A",
            "value": 0.01123,
            "unit": "V",
            "expanded_uncertainty": 0.0021,
            "judgement": "within",
        },
        {
            "name": "offset",
            "channel": "B",
            "value": None,
            "unit": "V",
            "judgement": "not measured",
            "reason": "not wired",
        },
    ]
    row = {"id": "p009", "measurement": "output_offset", "outcome": "measured", "values": values}
    table = points_table(results(row))
    assert "offset, A: 0.0112 ±0.0021 V, within" in table
    assert "offset, B: not seen, not measured; not wired" in table


def test_trips_findings_and_suspect_nights_are_told() -> None:
    """They stand with the unit they belong to, and above all units."""
    made = results(
        point(),
        trips=[{"time": LATER, "sentence": "heat sink at 86 degC"}],
        findings=[
            {
                "kind": "gain",
                "sentence": "gain is 1 dB low",
                "channel": "A",
                "next_action": "look at the feedback",
            }
        ],
        outcome="tripped",
    ) | {"suspect": "the reference unit moved by 0.3 dB"}
    table = points_table(made)
    assert table.startswith("Suspect: the reference unit moved")
    assert f"trip, {LATER}: heat sink at 86 degC" in table
    assert "found: channel A gain is 1 dB low; next: look at the feedback" in table
    assert "; tripped; 1 of 1 points measured" in table


def test_one_supply_in_the_header_several_in_the_rows() -> None:
    """Power is never shown without its supply."""
    assert "supply 24 V" in points_table(results(point()))
    table = points_table(results(point(), point("p002", supply_nominal_v=28.8)))
    assert "supply" not in table
    assert "20 cycles 1 kHz 28.8 V" in table


def test_nothing_measured_yet() -> None:
    """An empty ledger and a run without points are states, not errors."""
    assert points_table({"format": 1, "runs": [], "suspect": None}) == "no runs\n"
    assert "0 of 0 points measured" in points_table(results())


def test_words_are_ours() -> None:
    """Words that stand for other things elsewhere are not used."""
    table = points_table(
        results(point(), point("p002", rails=[], rail_note="rail moved"), refused_point("p003"))
    ).lower()
    assert not set(re.findall(r"[a-z]+", table)) & set(AVOIDED.split())


names = st.text(max_size=80)
numbers = st.floats(allow_nan=False, allow_infinity=False) | st.none()
many_channels = st.lists(
    st.builds(
        lambda name, power, u, at, thd, floor: channel(
            name,
            power_w=power or 0.0,
            power_expanded_uncertainty_w=u,
            power_at_limit_w=at,
            thd_pct=thd,
            thd_floor_pct=floor,
        ),
        names,
        numbers,
        st.floats(0, 1e12) | st.none(),
        numbers,
        numbers,
        numbers,
    ),
    max_size=3,
)


@settings(deadline=None)
@given(st.lists(st.tuples(names, names, names, many_channels, numbers), max_size=4), names, names)
def test_no_name_and_no_number_makes_a_line_wider_than_110(
    rows: list[tuple[str, str, str, list[dict[str, Any]], float | None]], serial: str, label: str
) -> None:
    """And none moves to another line or steers a terminal by control codes (ISO/IEC 6429)."""
    points = [
        refused_point(f"{name}{i}", reason, load=load)
        if i % 2
        else point(f"{name}{i}", load=load, channels=found, level_vrms=level)
        for i, (name, load, reason, found, level) in enumerate(rows)
    ]
    made = results(*points, unit={"serial": serial, "model": label}, label=label)
    table = points_table(made)
    assert max(map(len, table.split("\n"))) <= 110
    assert all(c.isprintable() or c == "\n" for c in table)
    assert table == points_table(made)
