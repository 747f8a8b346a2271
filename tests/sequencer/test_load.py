"""Loading: names and paths, hashes, shipped files, the README that shows every key, random damage."""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from sequencer.errors import InputRefused
from sequencer.plan import load
from sequencer.plan.inputs import UnitArgument
from sequencer.plan.load import load_bench, load_inputs, load_plan, parse_unit_argument
from sequencer.plan.models import Bench, Plan, Unit
from sequencer.plan.schema import file_schemas
from sequencer.plan.within_bench import off_loopback
from tests.sequencer.sound_inputs import BENCH, SOUND, Kind, changed, problems, write

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "sequences" / "README.md").read_text(encoding="utf-8")


def readme_blocks() -> dict[Kind, str]:
    """The TOML blocks of plan, unit and bench of sequences/README.md, in its order."""
    plan, unit, bench, _ = re.findall(r"```toml\n(.*?)```", README, re.DOTALL)
    return {"plan": plan, "unit": unit, "bench": bench}


# --- names, paths, hashes -------------------------------------------------------------------------


def test_a_shipped_name_and_its_path_are_the_same_file() -> None:
    path = ROOT / "sequences" / "plans" / "first.toml"
    by_name, by_path = load_plan("first"), load_plan(str(path))
    assert by_name.model == by_path.model
    assert by_name.path == path
    assert by_name.sha256 == by_path.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()


def test_a_file_here_without_slash_is_a_path_by_its_ending(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    write(tmp_path, SOUND)
    assert load_plan("plan.toml").model.name == "evening"
    assert load_plan("./plan.toml").model.name == "evening"
    with pytest.raises(InputRefused):
        load_plan("plan")


def test_a_decoy_in_the_current_folder_changes_nothing(tmp_path: Path) -> None:
    """Both a plain folder and a package called `sequences` lie where the program is started."""
    decoy = tmp_path / "sequences" / "plans"
    decoy.mkdir(parents=True)
    (tmp_path / "sequences" / "__init__.py").write_text("")
    (decoy / "first.toml").write_text("format = 99\n")
    program = "from sequencer.plan.load import load_plan; print(load_plan('first').path)"
    done = subprocess.run(
        [sys.executable, "-c", program],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(["", str(ROOT)])},
        capture_output=True,
        text=True,
        check=True,
    )
    assert Path(done.stdout.strip()) == ROOT / "sequences" / "plans" / "first.toml"


def test_text_with_a_byte_order_mark_is_text(tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SOUND["plan"].encode())
    assert load_plan(str(path)).model.name == "evening"


def test_the_bench_may_name_a_dialect_beside_it(tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text("format = 1\n")
    path = tmp_path / "bench.toml"
    path.write_text(changed("bench", '"generator-a"', '"mine.toml"'))
    assert load_bench(str(path)).model.role["generator"].dialect == "mine.toml"


def test_instruments_elsewhere_may_be_checked_but_are_named(tmp_path: Path) -> None:
    """A bench with real addresses is a sound file; who would drive it for real asks `off_loopback`."""
    path = tmp_path / "bench.toml"
    path.write_text(changed("bench", "127.0.0.1::5025", "192.0.2.7::5025"))
    bench = load_bench(str(path)).model
    assert [p.key for p in off_loopback(bench, "b")] == ["role.generator.address"]
    assert off_loopback(load_bench("workshop").model, "b") == []


# --- FILE[:SERIAL][@BAY] ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("amp", UnitArgument("amp")),
        ("amp:MV-1", UnitArgument("amp", "MV-1")),
        ("amp@2", UnitArgument("amp", None, "2")),
        ("amp:MV-1@2", UnitArgument("amp", "MV-1", "2")),
        ("./u/amp.toml:MV-1@2", UnitArgument("./u/amp.toml", "MV-1", "2")),
        ("./deck:2/amp@aft.toml", UnitArgument("./deck:2/amp@aft.toml")),
        ("/a@b/c:d/amp.toml@port side", UnitArgument("/a@b/c:d/amp.toml", None, "port side")),
        ("amp:a:b", UnitArgument("amp:a", "b")),
    ],
)
def test_unit_argument(text: str, expected: UnitArgument) -> None:
    assert parse_unit_argument(text) == expected


@pytest.mark.parametrize("text", ["", ":S", "@1", "amp:", "amp@", "amp:@1", " "])
def test_unit_argument_with_a_part_missing(text: str) -> None:
    with pytest.raises(ValueError, match="FILE:SERIAL"):
        parse_unit_argument(text)


# --- what ships -------------------------------------------------------------------------------------


def test_shipped_files_work_in_another_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As an installed wheel has it: the folder beside the package, wherever that is."""
    shutil.copytree(ROOT / "sequences", tmp_path / "sequences")
    monkeypatch.setattr(load, "SHIPPED", tmp_path / "sequences")
    assert load_plan("first").path == tmp_path / "sequences" / "plans" / "first.toml"


# --- the README shows every key -----------------------------------------------------------------------


def model_keys(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        yield name
        yield from (key for inner in models_in(field.annotation) for key in model_keys(inner))


def models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for inner in get_args(annotation):
        yield from models_in(inner)


def data_keys(value: Any) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield key
            yield from data_keys(inner)
    if isinstance(value, list):
        for inner in value:
            yield from data_keys(inner)


@pytest.mark.parametrize(("kind", "model"), [("plan", Plan), ("unit", Unit), ("bench", Bench)])
def test_every_key_is_shown(kind: Kind, model: type[BaseModel]) -> None:
    shown = set(data_keys(tomllib.loads(readme_blocks()[kind])))
    assert set(model_keys(model)) - shown == set()


def test_every_line_of_the_readme_that_sets_a_key_says_something() -> None:
    bare = [
        line for block in readme_blocks().values() for line in block.splitlines() if "=" in line and "#" not in line
    ]
    assert len(bare) <= 2, bare  # the second and third wire of [wiring]


def test_the_readme_can_be_used(tmp_path: Path) -> None:
    """Its three blocks are accepted together, once the lines it tells to repeat are repeated."""
    (tmp_path / "faults.toml").write_text("")
    blocks = readme_blocks()
    roles = BENCH[BENCH.index("[role.digitiser]") : BENCH.index("[wiring]")]
    eight = BENCH[BENCH.index("[load.8R]") : BENCH.index("[load.4R]")]
    texts: dict[Kind, str] = {
        "plan": blocks["plan"],
        "unit": blocks["unit"] + '[[channel]]\nname = "B"\n',
        "bench": blocks["bench"] + roles + eight + "[input.ch2]\nfactor = 10.0\n[input.ch3]\nfactor = 10.0\n",
    }
    assert [str(p) for p in problems(write(tmp_path, texts))] == []


# --- schema ------------------------------------------------------------------------------------------


def test_schema_of_each_kind() -> None:
    every = file_schemas()
    assert set(every) == {"plan", "unit", "bench", "method"}
    assert every["plan"]["properties"]["format"]["const"] == 1
    assert every["bench"]["additionalProperties"] is False
    json.dumps(every)


# --- random damage -----------------------------------------------------------------------------------

VALUES = [
    *("inf", "nan", "-1", "0", "1e400", "true", '""', "[]", "{}", "2026-02-30", "07:32:00", "9" * 400),
    *("1979-05-27T07:32:00Z", "[[1]]", "{a = {b = [{c = 1}]}}", "0x10", "1e-320", "-0.0"),
    *(
        "[1e-300]",
        "[1e300]",
        "[3e4]",
        "1e9",
        "1e-9",
        "[1e-9]",
        "[1e9]",
        "200.0",
        '["1 cycle"]',
        '["50000 cycles"]',
    ),
    *("'''x'''", '"\\u0000"', '"é😀"'),
]


@st.composite
def damaged(draw: st.DrawFn, text: str) -> str:
    lines = text.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        match draw(st.sampled_from(["drop", "double", "value", "key", "cut", "noise", "swap"])):
            case "drop":
                lines[at] = ""
            case "double":
                lines[at] = lines[at] + "\n" + lines[at]
            case "value" if "=" in lines[at]:
                lines[at] = lines[at].split("=")[0] + "= " + draw(st.sampled_from(VALUES))
            case "key" if "=" in lines[at]:
                lines[at] = (
                    draw(st.sampled_from(["x", "name", '"a b"', "a.b.c", "format"])) + " =" + lines[at].split("=")[1]
                )
            case "cut":
                lines[at] = lines[at][: draw(st.integers(0, len(lines[at])))]
            case "noise":
                lines[at] += draw(st.text(st.characters(exclude_categories=["Cs"]), max_size=8))
            case _:
                other = draw(st.integers(0, len(lines) - 1))
                lines[at], lines[other] = lines[other], lines[at]
    return "\n".join(lines)


@pytest.mark.parametrize("kind", ["plan", "unit", "bench"])
@settings(
    max_examples=150,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(data=st.data())
def test_damage_is_accepted_or_refused_and_nothing_else(kind: Kind, tmp_path: Path, data: st.DataObject) -> None:
    """Whatever a file holds, it loads and is checked, or is refused with reasons: no other end."""
    paths = write(tmp_path, SOUND | {kind: data.draw(damaged(SOUND[kind]))})
    for problem in problems(paths):
        assert problem.remedy
        assert "\n" not in str(problem)


@settings(
    max_examples=100,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(raw=st.binary(max_size=300))
def test_bytes_are_refused(raw: bytes, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(raw)
    with pytest.raises(InputRefused):
        load_bench(str(path))


def test_bench_text_is_not_touched_by_loading(tmp_path: Path) -> None:
    paths = write(tmp_path, SOUND)
    load_inputs(paths["plan"], [paths["unit"]], paths["bench"])
    assert Path(paths["bench"]).read_text() == BENCH
    assert len(list(tmp_path.iterdir())) == 3
