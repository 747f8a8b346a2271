"""The import directions of the project, as DEVELOPERS.md states them."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OURS = {"sequencer", "drivers", "simulators", "sequences", "tests"}
PURE = [
    "sequencer/plan",
    "sequencer/measurements",
    "sequencer/analysis",
    "sequencer/safety/rules.py",
    "sequencer/publish/messages.py",
    "sequencer/publish/broker_url.py",
    "sequencer/publish/backoff.py",
    *(f"sequencer/comparing/{name}.py" for name in ("figures", "differences", "history", "batches", "customer")),
    *(f"sequencer/comparing/{name}.py" for name in ("told", "drawn", "plain_text", "csv_text", "rows_of", "words_of")),
    "sequencer/night/source_marks.py",
    "sequencer/view/now.py",
    "sequencer/view/glance.py",
    "sequencer/view/words.py",
    "sequencer/proving/gate.py",
    "sequencer/proving/printing.py",
    "sequencer/page/about.py",
    "sequencer/page/access.py",
    "sequencer/page/drawing.py",
    "sequencer/page/eye.py",
    "sequencer/page/pictures.py",
    "sequencer/page/scene.py",
    "sequencer/page/timeline.py",
    "sequencer/page/words.py",
    "sequencer/daemon/decide.py",
    "sequencer/daemon/hours.py",
    "sequencer/daemon/unit_file.py",
    "sequencer/daemon/words.py",
    "sequencer/proving/record.py",
    "sequencer/proving/words.py",
    "sequencer/proving/setting_values.py",
    "sequencer/proving/burst_seen.py",
    "sequencer/proving/codes_seen.py",
    "sequencer/proving/level_named.py",
    "sequencer/proving/supply_seen.py",
    "sequencer/proving/thermometer_seen.py",
]
PURE_BUT = {"sequencer/plan/load.py"}
IMPURE_MODULES = {
    "asyncio",
    "socket",
    "logging",
    "structlog",
    "subprocess",
    "threading",
    "time",
    "pyvisa",
    "sqlite3",
    "aiomqtt",
}


def sources(top: str) -> Iterator[Path]:
    path = ROOT / top
    yield from [path] if path.suffix == ".py" else sorted(path.rglob("*.py"))


def imports(path: Path) -> Iterator[tuple[str, int, bool]]:
    """(module, line, lazy): lazy is True for an import inside a function."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    lazy = (ast.FunctionDef, ast.AsyncFunctionDef)
    inside = {id(n) for f in ast.walk(tree) if isinstance(f, lazy) or _for_types_only(f) for n in ast.walk(f)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) in inside
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module, node.lineno, id(node) in inside


def _for_types_only(node: ast.AST) -> bool:
    """`if TYPE_CHECKING:` never runs."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


@pytest.mark.parametrize("package", ["drivers", "simulators"])
def test_drivers_and_simulators_import_nothing_of_ours_but_themselves(package: str) -> None:
    foreign = [
        f"{path.relative_to(ROOT)}:{line} {module}"
        for path in sources(package)
        for module, line, _ in imports(path)
        if module.split(".")[0] in OURS - {package}
    ]
    assert foreign == []


def test_only_compose_imports_simulators_and_lazily() -> None:
    found = [
        (str(path.relative_to(ROOT)), lazy)
        for path in sources("sequencer")
        for module, _, lazy in imports(path)
        if module.split(".")[0] == "simulators"
    ]
    assert found, "compose no longer builds a simulated bench: this test would check nothing"
    assert {name for name, _ in found} == {"sequencer/compose.py"}
    assert all(lazy for _, lazy in found)


@pytest.mark.parametrize("top", PURE)
def test_pure_rooms_have_no_io(top: str) -> None:
    if not (ROOT / top).exists():
        assert top.startswith("sequencer/safety/"), f"{top} has moved: update DEVELOPERS.md and this list"
        return
    wrong = []
    for path in sources(top):
        if str(path.relative_to(ROOT)) in PURE_BUT:
            continue
        wrong += [f"{path.relative_to(ROOT)}:{n} {m}" for m, n, _ in imports(path) if m.split(".")[0] in IMPURE_MODULES]
        tree = ast.parse(path.read_text(encoding="utf-8"))
        wrong += [
            f"{path.relative_to(ROOT)}:{node.lineno} waits"
            for node in ast.walk(tree)
            if isinstance(node, ast.Await | ast.AsyncFunctionDef | ast.AsyncFor | ast.AsyncWith)
        ]
    assert wrong == []


def test_layers_above_are_not_imported_from_below() -> None:
    """plan < measurements < night < page < compose, daemon < commands < cli.

    analysis, ledger, publish, report know no night.
    """
    may_not = {
        "sequencer/plan": {
            "page",
            "measurements",
            "night",
            "ledger",
            "report",
            "publish",
            "safety",
            "compose",
            "daemon",
            "commands",
            "cli",
        },
        "sequencer/analysis": {
            "page",
            "plan",
            "measurements",
            "night",
            "ledger",
            "report",
            "publish",
            "safety",
            "compose",
            "daemon",
            "commands",
            "cli",
        },
        "sequencer/measurements": {
            "page",
            "night",
            "ledger",
            "report",
            "publish",
            "safety",
            "compose",
            "daemon",
            "commands",
            "cli",
        },
        "sequencer/ledger": {"page", "night", "report", "compose", "daemon", "commands", "cli"},
        "sequencer/proving": {"page", "report", "view", "compose", "daemon", "commands", "cli"},
        "sequencer/publish": {"page", "night", "compose", "daemon", "commands", "cli"},
        "sequencer/report": {"page", "night", "compose", "daemon", "commands", "cli", "comparing"},
        "sequencer/comparing": {"page", "night", "compose", "daemon", "commands", "cli", "view"},
        "sequencer/night": {"page", "compose", "daemon", "commands", "cli", "report", "view"},
        "sequencer/view": {"page", "compose", "daemon", "commands", "cli", "ledger", "publish", "safety"},
        "sequencer/page": {"compose", "daemon", "commands", "cli", "bench_new", "proving", "comparing"},
        "sequencer/safety": {"page", "night", "report", "compose", "daemon", "commands", "cli"},
    }
    wrong = [
        f"{path.relative_to(ROOT)}:{line} {module}"
        for top, banned in may_not.items()
        for path in sources(top)
        for module, line, _ in imports(path)
        if module.startswith("sequencer.") and module.split(".")[1] in banned
    ]
    assert wrong == []


def test_files_have_one_reason_to_change() -> None:
    """About 350 lines at most: beyond that a file is split."""
    long = {
        str(path.relative_to(ROOT)): n
        for top in ("sequencer", "drivers", "simulators")
        for path in sources(top)
        if (n := len(path.read_text(encoding="utf-8").splitlines())) > 350
    }
    assert long == {}


def test_the_keeper_of_tests_has_all_that_a_night_asks_of_one() -> None:
    """What stands in for the ledger's keeper on the wire: a call it lacks would fail a hundred tests at once."""
    tree = ast.parse((ROOT / "sequencer" / "night" / "night.py").read_text(encoding="utf-8"))
    tree.body += ast.parse((ROOT / "sequencer" / "night" / "measuring.py").read_text(encoding="utf-8")).body
    asked = {
        node.attr
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute)
        and ast.unparse(node.value) in ("keeper", "self.doing.keeper", "self._doing.keeper")
    }
    stand_in = ast.parse((ROOT / "tests" / "wire" / "wire_bench.py").read_text(encoding="utf-8"))
    (found,) = [node for node in stand_in.body if isinstance(node, ast.ClassDef) and node.name == "InMemory"]
    has = {node.name for node in found.body if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)}
    assert len(asked) > 5
    assert asked - has - {"open_runs", "suspect", "tripped"} == set()
