"""Broken plans, units and benches: each refused with file, key path, value and remedy; nothing is written.

The expected texts are what a person needs to find and mend the place; there is no outside source for them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.errors import InputRefused, Problem
from sequencer.plan.load import load_bench, load_inputs, load_plan
from tests.sequencer.broken_inputs import BROKEN, Broken
from tests.sequencer.broken_later import ALL
from tests.sequencer.sound_inputs import BENCH, SOUND, Kind, changed, problems, write


def fits(problem: Problem, broken: Broken) -> bool:
    return (
        problem.file.endswith(f"{broken.file}.toml")
        and problem.key == broken.key
        and broken.value in problem.value
        and broken.remedy in problem.remedy
    )


def test_the_sound_files_are_sound(tmp_path: Path) -> None:
    assert problems(write(tmp_path, SOUND)) == []


def test_there_are_many_and_no_two_alike() -> None:
    assert len(ALL) >= 150
    assert len({(b.kind, b.old, b.new) for b in ALL}) == len(ALL)


@pytest.mark.parametrize(
    "broken", ALL, ids=lambda b: f"{b.kind}: {b.new[:40]!r}" if b in BROKEN else f"{b.kind}: {b.key} {b.value}"
)
def test_broken_input_is_refused_at_its_place(broken: Broken, tmp_path: Path) -> None:
    paths = write(tmp_path, SOUND | {broken.kind: changed(broken.kind, broken.old, broken.new)})
    before = sorted(tmp_path.rglob("*"))
    found = problems(paths)
    assert any(fits(p, broken) for p in found), [str(p) for p in found]
    assert sorted(tmp_path.rglob("*")) == before  # nothing was written
    assert len(found) == len(set(found))
    assert all(p.remedy and p.value and p.key for p in found)


def test_problems_of_all_files_come_together(tmp_path: Path) -> None:
    texts: dict[Kind, str] = {
        "plan": changed("plan", '"1 cycle"', '"two cycles"').replace('"normal"', '"long"'),
        "unit": changed("unit", "gain_db = 26.0", 'gain_db = "high"').replace('"AB"', '"Z"'),
        "bench": changed("bench", "bits = 12", "bits = 3"),
    }
    found = {(Path(p.file).stem, p.key) for p in problems(write(tmp_path, texts))}
    assert found == {
        ("plan", "rest"),
        ("unit", "gain_db"),
        ("unit", "output_class"),
        ("bench", "digitiser.bits"),
    }


def test_cross_file_problems_come_together(tmp_path: Path) -> None:
    texts: dict[Kind, str] = {
        "plan": changed("plan", '["8R", "4R"]', '["8R", "2R"]').replace("[24.0]", "[33.0]"),
        "unit": changed("unit", "supply_a_max = 30.0", "supply_a_max = 1.0"),
        "bench": BENCH,
    }
    found = {(Path(p.file).stem, p.key) for p in problems(write(tmp_path, texts))}
    assert found >= {
        ("plan", "stage[0].loads[1]"),
        ("plan", "stage[0].supply_v[0]"),
        ("unit", "supply_a_max"),
    }


def test_toml_mistakes_name_the_line(tmp_path: Path) -> None:
    """Line 4 as counted by hand in the text below."""
    path = tmp_path / "p.toml"
    path.write_text('format = 1\nname = "x"\n\nrest = normal\n')
    with pytest.raises(InputRefused) as refused:
        load_plan(str(path))
    (problem,) = refused.value.problems
    assert (problem.key, problem.value) == ("line 4", '"rest = normal"')
    assert "not TOML" in problem.remedy


@pytest.mark.parametrize(
    ("raw", "remedy"),
    [
        (b"format = 1\nname = \"caf\xe9\"\n", "UTF-8"),
        (b"# " + b"x" * (1 << 20), "1 MiB"),
        (b"a = " + b"[" * 20_000, "nested"),
        (b"format = " + b"9" * 5000, "not TOML"),
        (b"format = 1\nformat = 1\n", "not TOML"),
        (b"", "format = 1"),
    ],
    ids=["latin text", "too large", "brackets", "endless number", "key twice", "empty"],
)  # fmt: skip
def test_files_that_are_no_such_file(raw: bytes, remedy: str, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_bytes(raw)
    with pytest.raises(InputRefused) as refused:
        load_plan(str(path))
    (problem,) = refused.value.problems
    assert remedy in problem.remedy


@pytest.mark.parametrize("name", ["no/such.toml", "./", "a\0b.toml", "nosuchplan", ""])
def test_names_that_lead_nowhere(name: str) -> None:
    with pytest.raises(InputRefused) as refused:
        load_plan(name)
    assert len(refused.value.problems) == 1


def test_a_link_out_of_the_folder_is_outside(tmp_path: Path) -> None:
    """A link beside the bench that leads elsewhere is a way out, too."""
    (tmp_path / "elsewhere.toml").write_text("format = 1\n")
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "mine.toml").symlink_to(tmp_path / "elsewhere.toml")
    path = folder / "bench.toml"
    path.write_text(changed("bench", '"generator-a"', '"mine.toml"'))
    with pytest.raises(InputRefused, match="outside the folder"):
        load_bench(str(path))


def test_units_and_bays(tmp_path: Path) -> None:
    paths = write(tmp_path, SOUND)
    unit = paths["unit"]

    def remedies(*units: str) -> str:
        with pytest.raises(InputRefused) as refused:
            load_inputs(paths["plan"], units, paths["bench"])
        return " / ".join(p.remedy for p in refused.value.problems)

    assert "given twice" in remedies(unit, unit)
    assert "two units in one bay" in remedies(f"{unit}@1", f"{unit}:MV-0118@1")
    assert "no such bay; it has 1, 2" in remedies(f"{unit}@7")
    assert "no bay is left" in remedies(unit, f"{unit}:MV-0118", f"{unit}:MV-0119")
    assert "FILE:SERIAL" in remedies(f"{unit}:")


def test_bays_are_given_in_order_around_those_asked_for(tmp_path: Path) -> None:
    paths = write(tmp_path, SOUND)
    inputs = load_inputs(paths["plan"], [f"{paths['unit']}", f"{paths['unit']}:MV-0118@1"], paths["bench"])
    assert [(u.loaded.model.serial, u.bay.name) for u in inputs.units] == [("MV-0117", "2"), ("MV-0118", "1")]
