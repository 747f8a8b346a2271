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
    "sequencer/view/now.py",
    "sequencer/view/glance.py",
    "sequencer/view/words.py",
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
    """plan < measurements < night < compose < cli; analysis, ledger, publish, report know nothing of the night."""
    may_not = {
        "sequencer/plan": {"measurements", "night", "ledger", "report", "publish", "safety", "compose", "cli"},
        "sequencer/analysis": {
            "plan",
            "measurements",
            "night",
            "ledger",
            "report",
            "publish",
            "safety",
            "compose",
            "cli",
        },
        "sequencer/measurements": {"night", "ledger", "report", "publish", "safety", "compose", "cli"},
        "sequencer/ledger": {"night", "report", "compose", "cli"},
        "sequencer/publish": {"night", "compose", "cli"},
        "sequencer/report": {"night", "compose", "cli"},
        "sequencer/night": {"compose", "cli", "report", "view"},
        "sequencer/view": {"compose", "cli", "ledger", "publish", "safety"},
        "sequencer/safety": {"night", "report", "compose", "cli"},
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
