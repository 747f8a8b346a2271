"""Running order and the contents of points. The order is the project's own rule: from easy to brutal."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sequencer.plan.expand import expand
from sequencer.plan.load import load_inputs
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.points import Drive, Point, parse_drive
from tests.sequencer.sound_inputs import PLAN, SOUND, Kind, changed, write


@pytest.fixture
def given_files(tmp_path: Path) -> Path:
    return tmp_path


def built(folder: Path, plan: str, **texts: str) -> tuple[Plan, Unit, Bench]:
    every: dict[Kind, str] = {
        "plan": plan,
        "unit": texts.get("unit", SOUND["unit"]),
        "bench": texts.get("bench", SOUND["bench"]),
    }
    paths = write(folder, every)
    inputs = load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    return inputs.plan.model, inputs.units[0].loaded.model, inputs.bench.model


def points(folder: Path, plan: str, **texts: str) -> tuple[Point, ...]:
    return expand(*built(folder, plan, **texts))


def stage(**lines: str) -> str:
    """The sound plan's stage with some lines of its own."""
    given = {"loads": '["8R", "4R"]', "frequencies_hz": "[1000.0]", "drives": '["20 cycles"]'} | lines
    head = PLAN[: PLAN.index("loads =")]
    return head + "\n".join(f"{key} = {value}" for key, value in given.items()) + "\n"


def test_loads_from_high_to_low_and_bursts_from_short_to_long(given_files: Path) -> None:
    plan = stage(loads='["4R", "8R"]', drives='["20 cycles", "1 cycle", "8 cycles"]')
    assert [(p.load, p.cycles) for p in points(given_files, plan)] == [
        ("8R", 1),
        ("8R", 8),
        ("8R", 20),
        ("4R", 1),
        ("4R", 8),
        ("4R", 20),
    ]


def test_behind_coupling_the_single_cycle_comes_last(given_files: Path) -> None:
    """The sound unit has a corner of 3 Hz: 50 Hz is within 20 x of it, 1 kHz is not."""
    plan = stage(
        loads='["8R"]',
        frequencies_hz="[50.0, 1000.0]",
        drives='["20 cycles", "1 cycle", "8 cycles", "2 cycles"]',
    )
    assert [(p.frequency_hz, p.cycles) for p in points(given_files, plan)] == [
        (1000.0, 1),
        (1000.0, 2),
        (1000.0, 8),
        (1000.0, 20),
        (50.0, 8),
        (50.0, 20),
        (50.0, 1),
        (50.0, 2),
    ]


def test_a_unit_coupled_for_dc_keeps_short_first(given_files: Path) -> None:
    unit = changed("unit", "coupling_hz = 3.0", "coupling_hz = 0.0")
    plan = stage(loads='["8R"]', frequencies_hz="[50.0]", drives='["8 cycles", "1 cycle"]')
    assert [p.cycles for p in points(given_files, plan, unit=unit)] == [1, 8]


def test_frequencies_from_1_khz_outwards_and_supply_rising(given_files: Path) -> None:
    plan = stage(loads='["8R"]', frequencies_hz="[5000.0, 100.0, 1000.0, 500.0]", supply_v="[26.0, 24.0]")
    seen = [(p.supply_v, p.frequency_hz) for p in points(given_files, plan)]
    assert seen == [(v, f) for v in (24.0, 26.0) for f in (1000.0, 500.0, 5000.0, 100.0)]


def test_channel_sets(given_files: Path) -> None:
    sets = {
        text: [p.channels for p in points(given_files, stage(loads='["8R"]', channels=text))]
        for text in ('"all"', '"each"', '["B"]', '["B", "A"]')
    }
    assert sets == {
        '"all"': [("A", "B")],
        '"each"': [("A",), ("B",)],
        '["B"]': [("B",)],
        '["B", "A"]': [("B", "A")],
    }


def test_points_that_differ_only_in_the_limit_share_a_group_highest_first(given_files: Path) -> None:
    plan = stage(stop_limit="{ thd_pct = [1.0, 10.0, 3.0], thd_n_pct = 2.0 }")
    found = points(given_files, plan)
    assert [(p.load, p.quantity, p.limit_pct, p.group) for p in found] == [
        ("8R", "thd", 10.0, 1),
        ("8R", "thd", 3.0, 1),
        ("8R", "thd", 1.0, 1),
        ("8R", "thd_n", 2.0, 2),
        ("4R", "thd", 10.0, 3),
        ("4R", "thd", 3.0, 3),
        ("4R", "thd", 1.0, 3),
        ("4R", "thd_n", 2.0, 4),
    ]
    assert [p.id for p in found] == [f"p{n:03d}" for n in range(1, 9)]


def test_numbers_go_on_through_the_stages(given_files: Path) -> None:
    second = stage().split("[[stage]]")[1].replace('"bursts"', '"again"')
    found = points(given_files, stage() + "[[stage]]" + second)
    assert [(p.id, p.stage, p.group) for p in found] == [
        ("p001", "bursts", 1),
        ("p002", "bursts", 2),
        ("p003", "again", 3),
        ("p004", "again", 4),
    ]


def test_harmonics_are_cut_to_the_band(given_files: Path) -> None:
    """20 kHz / f, by hand: 20 at 1 kHz, 20 at 500 Hz (as asked), 4 at 5 kHz, 2 at 9.9 kHz."""
    plan = stage(loads='["8R"]', frequencies_hz="[500.0, 1000.0, 5000.0, 9900.0]")
    seen = {p.frequency_hz: p.harmonics for p in points(given_files, plan)}
    assert seen == {500.0: 20, 1000.0: 20, 5000.0: 4, 9900.0: 2}


@pytest.mark.parametrize(
    ("kind", "confirm", "resolution_db"), [("regulated", 3, 0.05), ("battery", 3, 0.1), ("mains", 5, 0.2)]
)
def test_defaults_by_kind_of_supply(kind: str, confirm: int, resolution_db: float, given_files: Path) -> None:
    """Common practice, no source."""
    bench = changed("bench", 'name = "attic"', f'name = "attic"\nsupply_kind = "{kind}"')
    first = points(given_files, stage(), bench=bench)[0]
    assert (first.confirm, first.resolution_db) == (confirm, resolution_db)
    own = points(given_files, stage(confirm="2", resolution_db="0.05"), bench=bench)[0]
    assert (own.confirm, own.resolution_db) == (2, 0.05)


def test_supply_is_the_units_nominal_where_the_plan_is_silent(given_files: Path) -> None:
    assert {p.supply_v for p in points(given_files, stage())} == {24.0}


def test_what_cannot_be_built_is_left_out(given_files: Path) -> None:
    """Refusals say why; the rest is still worth reading in the table."""
    plan, unit, bench = built(given_files, stage(loads='["8R", "2R"]'))
    assert [p.load for p in expand(plan, unit, bench)] == ["8R"]


def test_the_order_in_the_file_does_not_matter(given_files: Path) -> None:
    loads, bursts, hertz = ["8R", "4R"], ["1 cycle", "8 cycles", "20 cycles"], [1000.0, 50.0, 5000.0]
    rng = random.Random(7)
    orders = set()
    for _ in range(8):
        for values in (loads, bursts, hertz):
            rng.shuffle(values)
        text = stage(
            loads=str(loads).replace("'", '"'),
            drives=str(bursts).replace("'", '"'),
            frequencies_hz=str(hertz),
        )
        orders.add(points(given_files, text))
    assert len(orders) == 1


# --- the three forms of a drive -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "drive"),
    [
        ("1 cycle", Drive(1, None)),
        ("2 cycles", Drive(2, None)),
        ("50000 cycles", Drive(50000, None)),
        ("steady 2 s", Drive(None, 2.0)),
        ("steady 0.5 s", Drive(None, 0.5)),
        ("steady 10 s", Drive(None, 10.0)),
    ],
)
def test_drives(text: str, drive: Drive) -> None:
    assert parse_drive(text) == drive


@pytest.mark.parametrize(
    "text",
    [
        "",
        "1 cycles",
        "2 cycle",
        "0 cycles",
        "01 cycles",
        "-1 cycles",
        "1e3 cycles",
        "20  cycles",
        " 20 cycles",
        "20 Cycles",
        "20 cycles ",
        "20 cycles\n",
        "٢٠ cycles",
        "50001 cycles",
        "steady 0 s",
        "steady 11 s",
        "steady 2s",
        "steady 2 ms",
        "steady inf s",
        "steady nan s",
        "steady .5 s",
        "steady 2. s",
        "continuous",
    ],
)
def test_no_other_form(text: str) -> None:
    with pytest.raises(ValueError, match="1 cycle"):
        parse_drive(text)


@settings(database=None)
@given(st.text(max_size=20))
def test_any_other_text_is_refused_or_read_as_it_stands(text: str) -> None:
    """What is accepted can be written back from its number: nothing is guessed."""
    try:
        drive = parse_drive(text)
    except ValueError:
        return
    if drive.cycles is not None:
        assert text == ("1 cycle" if drive.cycles == 1 else f"{drive.cycles} cycles")
    else:
        assert drive.steady_s == float(text.split()[1])
