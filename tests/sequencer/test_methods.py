"""Method files: each that ships loads, each condition comes out as it should, broken ones are refused by their place.

Figures: 16 CFR 432.3(c), (d) as read; CTA-2006 as quoted by others; IHF-A-202 and IEC 60268-3 from memory.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from sequencer.errors import InputRefused
from sequencer.night.setup import head_row
from sequencer.plan.inputs import Inputs
from sequencer.plan.load import SHIPPED, load_bench, load_inputs, load_method, load_unit, shipped
from sequencer.plan.methods import Method, answers, came_out, method_row
from sequencer.plan.models import Plan, Stage, StageOptions, StopLimit
from sequencer.report.how_sections import how
from sequencer.whole_night import night_plan
from tests.sequencer.sound_inputs import SOUND, write

NAMES = sorted(shipped()["methods"])
UNIT, BENCH = load_unit("mv_0131").model, load_bench("ferry_workshop").model
POWER = Stage(
    name="power", measurement="output_power", loads=("8R", "4R"), frequencies_hz=(20.0, 1000.0, 20000.0),
    drives=("20 cycles",), supply_v=(14.4,), channels="all", stop_limit=StopLimit(thd_pct=1.0, thd_n_pct=1.0),
)  # fmt: skip
SOAK = Stage(name="soak", measurement="soak", loads=("8R",), options=StageOptions(minutes=60.0))
FOLLOWING = Plan(format=1, name="follows", stage=(POWER, SOAK))
# Each changes one thing, and undoes the conditions named beside it.
CHANGES: list[tuple[str, dict[str, Any], dict[str, Any], set[str]]] = [
    ("ftc_like", {}, {"options": StageOptions(minutes=59.0)}, {"preconditioning for one hour"}),
    ("ftc_like", {}, {"frequencies_hz": (50.0,)}, {"preconditioning with a sine of 1 kHz"}),
    ("ftc_like", {}, {"channels": "each"}, {"preconditioning with all channels at once"}),
    ("ftc_like", {"loads": ("4R",)}, {}, {"rated into 8 ohm"}),
    ("ftc_like", {"frequencies_hz": (25.0, 20000.0)}, {}, {"a band that begins at 20 Hz"}),
    ("ftc_like", {"frequencies_hz": (20.0, 19000.0)}, {}, {"a band that ends at 20 kHz"}),
    ("cta_2006_like", {"supply_v": None}, {}, {"a supply of 14.4 V dc"}),
    ("cta_2006_like", {"loads": ("8R",)}, {}, {"a load of 4 ohm"}),
    ("cta_2006_like", {"stop_limit": StopLimit(thd_n_pct=(10.0, 3.0))}, {}, {"1 % THD+N at most"}),
    ("cta_2006_like", {"drives": ("8 cycles",)}, {}, {"bursts of 20 cycles"}),
    ("ihf_a_202_like", {"drives": ("8 cycles",)}, {}, {"bursts of 20 cycles"}),
    ("ihf_a_202_like", {"frequencies_hz": (50.0,)}, {}, {"a tone of 1 kHz"}),
    ("ihf_a_202_like", {"loads": ("4R",)}, {}, {"a load of 8 ohm"}),
    ("iec_60268_3_like", {"frequencies_hz": (50.0,)}, {}, {"standard measuring conditions at 1 kHz"}),
    ("iec_60268_3_like", {"stop_limit": StopLimit(thd_n_pct=1.0)}, {}, {"power at a stated total harmonic distortion"}),
    (
        "iec_60268_3_like", {}, {"options": StageOptions(minutes=59.0)},
        {"an hour or so of running in, until the temperature is stable"},
    ),
]  # fmt: skip


def followed(method: str, plan: Plan) -> set[str]:
    return {a.asks for a in answers(load_method(method).model, plan, UNIT, BENCH) if a.followed}


def asked(method: Method) -> set[str]:
    return {one.asks for one in method.asks if one.followed_by != "not followed"}


def test_four_ship() -> None:
    assert NAMES == ["cta_2006_like", "ftc_like", "iec_60268_3_like", "ihf_a_202_like"]


@pytest.mark.parametrize("name", NAMES)
def test_each_shipped_method_loads_and_can_be_followed(name: str) -> None:
    method = load_method(name).model
    assert method.name == name
    assert followed(name, FOLLOWING) == asked(method)


def test_each_condition_that_can_be_followed_is_undone_by_one_change() -> None:
    undone = {(name, one) for name, _, _, left in CHANGES for one in left}
    assert undone == {(name, one) for name in NAMES for one in asked(load_method(name).model)}


@pytest.mark.parametrize(("name", "power", "soak", "left"), CHANGES)
def test_what_a_plan_does_not_follow(name: str, power: dict[str, Any], soak: dict[str, Any], left: set[str]) -> None:
    plan = FOLLOWING.model_copy(update={"stage": (POWER.model_copy(update=power), SOAK.model_copy(update=soak))})
    assert followed(name, FOLLOWING) - followed(name, plan) == left


def test_only_measured_rows_make_it_followed() -> None:
    soak = method_row(load_method("ftc_like").model, FOLLOWING, UNIT, BENCH)["answers"][0]
    assert came_out(soak, []) == "planned, not measured"
    assert came_out(soak, [{"stage": "soak", "outcome": "not_measured"}]) == "planned, not measured"
    assert came_out(soak, [{"stage": "power", "outcome": "measured"}]) == "planned, not measured"
    assert came_out(soak, [{"stage": "soak", "outcome": "measured"}]) == "followed"
    early = {"stage": "soak", "outcome": "measured", "measurement": "soak", "stopped_by": "temperature"}
    assert came_out(soak, [early]) == "planned, not measured"
    half = [{"stage": "soak", "outcome": "measured"}, {"stage": "soak", "outcome": "tripped"}]
    assert came_out(soak, half) == "planned, measured in part"
    assert came_out({**soak, "followed": False}, [{"stage": "soak", "outcome": "measured"}]) == "not followed"


# --- in a plan, on the sheet --------------------------------------------------------------------------


def with_method(folder: Path, method: str) -> Inputs:
    files = write(folder, {**SOUND, "plan": f'method = "{method}"\n{SOUND["plan"]}'})
    return load_inputs(files["plan"], [files["unit"]], files["bench"])


def test_the_sheet_shows_edition_answers_and_marks(tmp_path: Path) -> None:
    night = night_plan(with_method(tmp_path, "ihf_a_202_like"), 1, {})
    section = how({**head_row(night, night.runs[0], ""), "points": []})
    table = section.tables[-1]
    assert table.caption == "Tone burst after IHF-A-202; edition: 1978, not read; no claim of conformity"
    assert table.rows[0] == (
        "bursts of 20 cycles", "planned, not measured", "stage.drives of bursts", "from memory, not read",
    )  # fmt: skip
    assert table.rows[-1][1] == "not followed"


def test_a_plan_without_a_method_shows_none(tmp_path: Path) -> None:
    files = write(tmp_path, SOUND)
    night = night_plan(load_inputs(files["plan"], [files["unit"]], files["bench"]), 1, {})
    head = head_row(night, night.runs[0], "")
    assert "method" not in head
    assert how({**head, "points": []}).tables == ()


def test_a_method_of_ones_own_lies_beside_the_plan(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text((SHIPPED / "methods" / "ftc_like.toml").read_text())
    loaded = with_method(tmp_path, "mine.toml").method
    assert loaded is not None
    assert loaded.model.name == "ftc_like"


@pytest.mark.parametrize(
    ("named", "key", "remedy"),
    [
        ("nothing_like", "method", "no shipped method has this name; there are cta_2006_like, ftc_like"),
        ("../mine.toml", "method", "lies outside the folder"),
        ("mine.toml", "method", "no such file"),
    ],
)
def test_a_plan_that_names_no_method_file(tmp_path: Path, named: str, key: str, remedy: str) -> None:
    with pytest.raises(InputRefused) as refused:
        with_method(tmp_path, named)
    (problem,) = refused.value.problems
    assert problem.key == key
    assert remedy in problem.remedy


# --- broken files ---------------------------------------------------------------------------------------

SMALL = """\
format = 1
name = "mine"
title = "Mine"
edition = "2026"
[[asks]]
asks = "an hour"
followed_by = "stage.options.minutes"
of = "soak"
at_least = 60.0
mark = "from memory"
"""


@pytest.mark.parametrize(
    ("old", "new", "key", "value", "remedy"),
    [
        ("format = 1", "format = 2", "format", "2", "understands format = 1 of a method file"),
        ('edition = "2026"\n', "", "edition", "(nothing)", ""),
        ('"from memory"', '"certain"', "asks[0].mark", '"certain"', "read elsewhere"),
        ('"stage.options.minutes"', '"stage.poem"', "asks[0].followed_by", '"stage.poem"', "bench.supply_kind"),
        ("at_least = 60.0\n", "", "asks[0].equals", "(nothing)", "say equals, at_least or at_most"),
        ("at_least = 60.0", 'equals = "long"', "asks[0].equals", '"long"', "is compared with a number"),
        ("at_least = 60.0", "at_least = 60.0\nat_most = 50.0", "asks[0].at_least", "60.0", "above at_most"),
        ('"stage.options.minutes"', '"unit.supply_v.nominal"', "asks[0].of", '"soak"', "keys of a stage only"),
        ('at_least = 60.0', 'poem = 1', "asks[0].poem", "1", ""),
    ],
)  # fmt: skip
def test_a_broken_file_is_refused_by_its_place(
    tmp_path: Path, old: str, new: str, key: str, value: str, remedy: str
) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(SMALL)
    load_method(str(path))
    path.write_text(SMALL.replace(old, new))
    with pytest.raises(InputRefused) as refused:
        load_method(str(path))
    problem = next(p for p in refused.value.problems if p.key == key)
    assert (problem.file, problem.value) == (str(path), value)
    assert problem.remedy
    assert remedy in problem.remedy


def test_what_is_not_followed_wants_a_why_and_no_figure(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(SMALL.replace("stage.options.minutes", "not followed"))
    with pytest.raises(InputRefused) as refused:
        load_method(str(path))
    assert [p.key for p in refused.value.problems] == ["asks[0].why", "asks[0].at_least", "asks[0].of"]


def test_the_example_in_the_readme_is_a_method_with_every_key(tmp_path: Path) -> None:
    blocks = re.findall(r"```toml\n(.*?)```", (SHIPPED / "README.md").read_text(encoding="utf-8"), re.DOTALL)
    path = tmp_path / "mine.toml"
    path.write_text(blocks[3])
    model = load_method(str(path)).model
    assert model.model_fields_set == set(Method.model_fields)
    assert {k for one in model.asks for k in one.model_fields_set} == set(type(model.asks[0]).model_fields)
