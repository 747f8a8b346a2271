"""The table of hazards against the tests that it names; the cautions against the three places where they must stand.

What belongs into them is common practice of the workshop, no source.
"""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any, NamedTuple

import pytest

from sequencer.plan import arming
from sequencer.report import how_sections

ROOT = Path(__file__).resolve().parents[2]
TESTS = ROOT / "tests"
NAMED = re.compile(r"(?P<file>[\w/]+\.py)::(?P<name>test_\w+)(?:\[(?P<id>.+)\])?")
FEWEST = 25
NOTHING = "none: software only"


class Hazard(NamedTuple):
    """One row of the table."""

    name: str
    cause: str
    barriers: str
    tests: str


def hazards() -> list[Hazard]:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = page.split("<!-- hazards: begin -->\n")[1].split("<!-- hazards: end -->")[0]
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in table.strip().splitlines()]
    assert rows[0] == ["hazard", "cause", "barriers", "test"]
    return [Hazard(*row) for row in rows[2:]]


HAZARDS = hazards()
WITH_TESTS = [(one.name, told) for one in HAZARDS for told in re.findall(r"`([^`]+)`", one.tests)]


def functions(source: str) -> set[str]:
    """Tests that pytest would find: functions of the module itself."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef)
    return {node.name for node in ast.parse(source).body if isinstance(node, kinds)}


def module_of(file: Path) -> ModuleType:
    return importlib.import_module(".".join(file.relative_to(ROOT).with_suffix("").parts))


def ids_of(test: Any) -> Iterator[str]:
    """Of a test that is given several cases, as pytest names them: by `ids`, or by a text itself."""
    for mark in test.pytestmark:
        if mark.name == "parametrize":
            ids = mark.kwargs.get("ids", str)
            yield from map(ids, mark.args[1]) if callable(ids) else ids


def test_there_are_enough_and_no_two_alike() -> None:
    assert len(HAZARDS) >= FEWEST
    assert len({one.name for one in HAZARDS}) == len(HAZARDS)
    assert len({one.cause for one in HAZARDS}) == len(HAZARDS)
    assert len({one.barriers for one in HAZARDS}) == len(HAZARDS)


@pytest.mark.parametrize("hazard", HAZARDS, ids=lambda one: one.name)
def test_hardware_comes_first_or_there_is_none(hazard: Hazard) -> None:
    """What must work without us is named before what we add, or it is said plainly that there is none."""
    assert re.match(rf"hardware: \w.*; \w|{NOTHING}; \w", hazard.barriers), hazard.barriers
    assert hazard.cause
    assert any(name == hazard.name for name, _ in WITH_TESTS), "it names no test"


@pytest.mark.parametrize(("hazard", "told"), WITH_TESTS, ids=lambda text: text)
def test_the_test_it_names_exists(hazard: str, told: str) -> None:
    found = NAMED.fullmatch(told)
    assert found, f"{hazard}: {told} is no test"
    file = TESTS / found["file"]
    assert found["name"] in functions(file.read_text(encoding="utf-8"))
    if found["id"]:
        assert found["id"] in set(ids_of(getattr(module_of(file), found["name"])))


# --- cautions

CAUTIONS = {
    "hot loads": ("load", "hot"),
    "live bridged outputs": ("bridged", "both", "live"),
    "stored charge": ("stay charged|keep their charge", "off"),
    "hearing": ("tone at full power harms hearing", "loudspeaker"),
    "software is never the only protection": (
        "software is never the only protection",
        "fuses.*thermal cut-outs.*hand-operated emergency stop.*come first",
    ),
    "local codes and licensed practice": ("local codes", "licensed practice", "go (before|first)"),
}


def places() -> dict[str, list[str]]:
    """The cautions of each place, one by one, as one line each."""
    section = (ROOT / "README.md").read_text(encoding="utf-8").split("\n## Cautions\n")[1].split("\n## ")[0]
    readme = [" ".join(one.replace("*", "").split()) for one in section.split("\n* ")]
    return {"README": readme, "sheet": list(how_sections.cautions().says), "arming": list(arming.CAUTIONS)}


@pytest.mark.parametrize("place", ["README", "sheet", "arming"])
@pytest.mark.parametrize("caution", CAUTIONS)
def test_each_caution_stands_in_each_place(place: str, caution: str) -> None:
    """All its facts in one and the same caution."""
    told = [one.lower() for one in places()[place]]
    assert any(all(re.search(fact, one) for fact in CAUTIONS[caution]) for one in told), told


@pytest.mark.parametrize("place", ["README", "sheet", "arming"])
def test_what_protects_without_us_comes_first(place: str) -> None:
    told = next(one.lower() for one in places()[place] if one.strip())
    assert "software is never the only protection" in told
