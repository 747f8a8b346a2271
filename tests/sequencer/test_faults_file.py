"""The file of declared faults: what it says reaches the simulated link, and what it can't say is refused in words."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import pytest

from sequencer.compose import _link_faults
from sequencer.errors import InputRefused
from sequencer.faults_file import LASTING, DeclaredFault, Kind, load_faults
from sequencer.on_paper import schemas
from simulators import faults as links

WHOLE = """
format = 1
single_connection = ["supply"]

[[fault]]
role = "generator"
kind = "late"
begins = "*IDN?"
at_message = 3
times = 0
for_s = 0.5

[[fault]]
role = "generator"
kind = "closed"
at_s = 2.0
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "faults.toml"
    path.write_text(text)
    return path


def refused(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputRefused) as caught:
        load_faults(written(folder, text))
    return [str(problem) for problem in caught.value.problems]


def test_every_key_reaches_the_link(tmp_path: Path) -> None:
    """Against the simulators' own model of a fault, which knows nothing of files."""
    file = load_faults(written(tmp_path, WHOLE))
    assert file.single_connection == ("supply",)
    assert _link_faults(file, 7) == {
        "generator": links.LinkFaults(
            (
                links.LinkFault("late", at_message=3, begins="*IDN?", times=None, for_s=0.5),
                links.LinkFault("closed", at_s=2.0, times=1),
            ),
            seed=7,
        )
    }


def test_the_file_knows_the_kinds_of_the_simulators() -> None:
    assert set(get_args(Kind)) == set(get_args(links.Kind))
    assert set(LASTING) <= set(get_args(Kind))


@pytest.mark.parametrize("kind", get_args(Kind))
def test_each_kind_can_be_declared(kind: str, tmp_path: Path) -> None:
    text = f'format = 1\n[[fault]]\nrole = "supply"\nkind = "{kind}"\nat_s = 1.0\nfor_s = 0.1'
    assert [one.kind for one in load_faults(written(tmp_path, text)).fault] == [kind]


ONE = 'format = 1\n[[fault]]\nrole = "supply"\nkind = "silent"\n'


@pytest.mark.parametrize(
    ("text", "key", "remedy"),
    [
        (ONE + "at_s = 1.0\nbegin = 'x'", "fault[0].begin = ", "did you mean begins?"),
        (ONE + "at_s = 1.0\nat_message = 2", "fault[0].at_s = 1.0", "not both"),
        (ONE, "fault[0].at_s = (nothing)", "say when it strikes"),
        (ONE + "at_message = 0", "fault[0].at_message = 0", "1 or more"),
        (ONE.replace("supply", "supplies") + "at_s = 1.0", 'fault[0].role = "supplies"', "one of"),
        (ONE.replace("silent", "shy") + "at_s = 1.0", 'fault[0].kind = "shy"', "one of"),
        (ONE.replace("silent", "frozen") + "at_s = 1.0", "fault[0].for_s = 0.0", "how long"),
        (ONE + "at_s = '1'", 'fault[0].at_s = "1"', "a number without quotes"),
        ("[[fault]]", "format = (nothing)", "format = 1"),
        ("format = 2", "format = 2", "format = 1"),
        ("format = 1\nsingle_connection = ['lamp']", 'single_connection[0] = "lamp"', "one of"),
        ("format = = 1", "line 1 = ", "not TOML"),
    ],
)
def test_what_cannot_be_used_names_file_key_value_and_remedy(text: str, key: str, remedy: str, tmp_path: Path) -> None:
    problems = refused(tmp_path, text)
    assert any("faults.toml: " in line and key in line and remedy in line for line in problems), problems


def test_a_file_without_our_ending_is_still_a_path(tmp_path: Path) -> None:
    path = tmp_path / "declared"
    path.write_text(WHOLE)
    assert len(load_faults(path).fault) == 2


def test_its_schema_is_printed_with_the_others() -> None:
    keys = schemas()["faults"]["$defs"]["DeclaredFault"]["properties"]
    assert set(keys) == set(DeclaredFault.model_fields)
