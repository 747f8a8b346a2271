"""Broken copies of the rules of safety: one comparison, one figure, one `and`, one `max` at a time. Only tests import
this.

A copy is compiled from the changed source, all modules of the rules are imported anew around it, and the paper cases
are put to them, those of its own topic first.
"""

from __future__ import annotations

import ast
import copy
import importlib
import sys
import types
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sequencer.safety
from tests.sequencer import rule_cases_bench, rule_cases_heat, rule_cases_output, rule_cases_supply
from tests.sequencer.rule_paper import Case, Check, check

FOLDER = Path(sequencer.safety.__file__).parent
PACKAGE = "sequencer.safety"
OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
}  # fmt: skip
OTHER = {"max": "min", "min": "max"}
TOPICS: dict[str, Sequence[Case]] = {
    "rules_heat": rule_cases_heat.CASES,
    "rules_sensor": rule_cases_heat.CASES,
    "rules_supply": rule_cases_supply.CASES,
    "rules_idle": rule_cases_supply.CASES,
    "rules_output": rule_cases_output.CASES,
    "rules_gain": rule_cases_output.CASES,
    "rules_load": rule_cases_output.LOAD_CASES,
    "rules_capture": rule_cases_output.CASES,
    "rules": rule_cases_bench.CASES,
}
ALL: tuple[Case, ...] = (
    *rule_cases_bench.CASES, *rule_cases_heat.CASES, *rule_cases_supply.CASES, *rule_cases_output.CASES,
)  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """what: "<line as it stands>: <change>", without line numbers, so that it can be named in a list."""

    module: str
    what: str
    tree: ast.Module


def modules() -> list[str]:
    return sorted(file.stem for file in FOLDER.glob("rules*.py"))


def mutants(module: str) -> Iterator[Mutant]:
    """Each comparison turned round, each figure halved and doubled, each `and` an `or` and each `max` a
    `min`, and the other way round."""
    source = (FOLDER / f"{module}.py").read_text(encoding="utf-8")
    tree, lines = ast.parse(source), source.splitlines()
    for number, node in enumerate(ast.walk(tree)):
        for what, change in _changes(node):
            broken = copy.deepcopy(tree)
            change(list(ast.walk(broken))[number])
            yield Mutant(module, f"{lines[node.lineno - 1].strip()}: {what}", broken)  # type: ignore[attr-defined]


def unbroken(module: str) -> Mutant:
    """As it stands."""
    return Mutant(module, "nothing", ast.parse((FOLDER / f"{module}.py").read_text(encoding="utf-8")))


def _changes(node: ast.AST) -> Iterator[tuple[str, Any]]:
    if isinstance(node, ast.Compare):
        for index, operator in enumerate(node.ops):
            if type(operator) in OPPOSITE:
                yield f"{type(operator).__name__} turned round", _turned(index)
    if isinstance(node, ast.BoolOp):
        yield "or" if isinstance(node.op, ast.And) else "and", _swapped
    if isinstance(node, ast.Name) and node.id in OTHER and isinstance(node.ctx, ast.Load):
        yield OTHER[node.id], _renamed
    if isinstance(node, ast.Assign) and _is_figure(node.targets[0]):
        for index, constant in enumerate(_numbers(node)):
            yield f"{constant.value} halved", _scaled(index, 0.5)
            yield f"{constant.value} doubled", _scaled(index, 2.0)


def _is_figure(target: ast.expr) -> bool:
    names = target.elts if isinstance(target, ast.Tuple) else [target]
    return all(isinstance(name, ast.Name) and name.id.isupper() for name in names)


def _numbers(node: ast.Assign) -> list[ast.Constant]:
    found = (one for one in ast.walk(node.value) if isinstance(one, ast.Constant))
    return [one for one in found if isinstance(one.value, int | float)]


def _turned(index: int) -> Any:
    def change(node: ast.Compare) -> None:
        node.ops[index] = OPPOSITE[type(node.ops[index])]()

    return change


def _swapped(node: ast.BoolOp) -> None:
    node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()


def _renamed(node: ast.Name) -> None:
    node.id = OTHER[node.id]


def _scaled(index: int, factor: float) -> Any:
    def change(node: ast.Assign) -> None:
        constant = _numbers(node)[index]
        assert isinstance(constant.value, int | float)
        constant.value = type(constant.value)(constant.value * factor)

    return change


@contextmanager
def broken_rules(mutant: Mutant) -> Iterator[types.ModuleType]:
    """`rules` with one of its modules broken; afterwards all is as it was."""
    ours = [name for name in sys.modules if name.startswith(f"{PACKAGE}.rules")]
    kept = {name: sys.modules.pop(name) for name in ours}
    attributes = dict(vars(sequencer.safety))
    name = f"{PACKAGE}.{mutant.module}"
    module = types.ModuleType(name)
    try:
        sys.modules[name] = module
        exec(compile(mutant.tree, name, "exec"), vars(module))
        yield importlib.import_module(f"{PACKAGE}.rules")
    finally:
        for other in [one for one in sys.modules if one.startswith(f"{PACKAGE}.rules")]:
            del sys.modules[other]
        sys.modules.update(kept)
        vars(sequencer.safety).clear()
        vars(sequencer.safety).update(attributes)


def caught_by(mutant: Mutant) -> str | None:
    """The first paper case that fails; None where none does."""
    try:
        with broken_rules(mutant) as module:
            return _failing(module, TOPICS.get(mutant.module, ()))
    except Exception as error:  # a copy that cannot even be imported
        return f"import: {error}"


def _failing(module: types.ModuleType, first: Sequence[Case]) -> str | None:
    for case in (*first, *ALL):
        if not _holds(lambda one, module: check(one, module), case, module):
            return case.name
    return next((one.__name__ for one in rule_cases_bench.CHECKS if not _holds(_put, one, module)), None)


def _put(one: Check, module: types.ModuleType) -> None:
    one(module)


def _holds(put: Any, one: Case | Check, module: types.ModuleType) -> bool:
    try:
        put(one, module)
    except Exception:  # a broken rule may fail in any way
        return False
    return True
