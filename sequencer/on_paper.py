"""What a command was given, worked through on paper: files, dialects, refusals, costs. Reads, and touches nothing."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from drivers.dialect import Dialect
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.room import needed_bytes
from sequencer.plan.check_table import Checked, check_json, check_table
from sequencer.plan.estimate import estimates
from sequencer.plan.expand import expand
from sequencer.plan.inputs import Files, Inputs, UnitInBay
from sequencer.plan.load import gather_inputs
from sequencer.plan.models import RoleName
from sequencer.plan.refuse import refusals
from sequencer.plan.schema import file_schemas
from sequencer.roles import fitted_dialects

DEMO_PLAN = "overnight_batch"
DEMO_BENCH = "ferry_workshop"
DEMO_UNITS = ("mv_0131", "mv_0132", "mv_0133", "mv_0134", "mv_0135")
FIRST_BENCH = "workshop"  # of every other plan, where nothing is said
FIRST_UNITS = ("ferry_pa_60", "ferry_pa_60_aft")


@dataclass(frozen=True)
class Check:
    """A plan on paper, per unit."""

    units: tuple[Checked, ...]

    @property
    def refused(self) -> list[Problem]:
        return list(dict.fromkeys(problem for one in self.units for problem in one.refused))

    def needed_bytes(self, keep_shots: bool) -> int:
        """Room on the disk, at most."""
        return sum(needed_bytes(one.points, one.estimates, keep_shots) for one in self.units)

    def text(self) -> str:
        return "\n\n".join("\n".join(check_table(one)) for one in self.units)

    def as_json(self) -> list[dict[str, Any]]:
        return [check_json(one) for one in self.units]


def version() -> str:
    try:
        return importlib.metadata.version("nightramp")
    except importlib.metadata.PackageNotFoundError:
        return "unpackaged"


def schemas() -> dict[str, Any]:
    """JSON Schema of every file and message, by kind."""
    from pydantic import BaseModel

    from drivers.dialect_model import DialectFile
    from sequencer.comparing.rows_of import comparison_schema
    from sequencer.faults_file import FaultsFile
    from sequencer.ledger.results import results_schema
    from sequencer.publish.broker_file import BrokerFile
    from sequencer.publish.live import live_schemas
    from sequencer.publish.messages import message_schemas

    told = message_schemas() | live_schemas()
    messages = {f"message-{kind}": schema for kind, schema in told.items()}
    others: dict[str, type[BaseModel]] = {"dialect": DialectFile, "faults": FaultsFile, "broker": BrokerFile}
    files = {kind: model.model_json_schema() for kind, model in others.items()}
    return file_schemas() | files | {"results": results_schema(), "comparison": comparison_schema()} | messages


def read(plan: str | None, units: Sequence[str], bench: str | None) -> tuple[Inputs, dict[RoleName, Dialect]]:
    """Files and dialects. Raises InputRefused with the problems of all files together, as far as each can be read."""
    inputs, problems = gather_inputs(*_asked(plan, tuple(units), bench))
    dialects: dict[RoleName, Dialect] = {}
    if inputs is not None:
        try:
            dialects = fitted_dialects(inputs.bench)
        except InputRefused as refused:
            problems += refused.problems
        if problems:
            problems += [problem for one in inputs.units for problem in _on_paper(inputs, one).refused]
    if inputs is None or problems:
        raise InputRefused(list(dict.fromkeys(problems)))
    return inputs, dialects


def _asked(plan: str | None, units: tuple[str, ...], bench: str | None) -> tuple[str, tuple[str, ...], str]:
    """What was given, and for what was not: the demo night's own, or, for any other plan, the first bench's."""
    demo = plan in (None, DEMO_PLAN)
    usual_units, usual_bench = (DEMO_UNITS, DEMO_BENCH) if demo else (FIRST_UNITS, FIRST_BENCH)
    return plan or DEMO_PLAN, units or usual_units, bench or usual_bench


def check(plan: str, units: Sequence[str], bench: str | None) -> Check:
    """Every unit of the plan on paper. Raises InputRefused where a file alone cannot be used."""
    return checked(plan, units, bench)[0]


def checked(plan: str | None, units: Sequence[str], bench: str | None) -> tuple[Check, Inputs, dict[RoleName, Dialect]]:
    """As `check`, with what was read: who goes on from here drives what was shown, whatever becomes of the files."""
    inputs, dialects = read(plan, units, bench)
    return on_paper(inputs), inputs, dialects


def on_paper(inputs: Inputs) -> Check:
    """Every unit, of what was read."""
    return Check(tuple(_on_paper(inputs, one) for one in inputs.units))


def _on_paper(inputs: Inputs, one: UnitInBay) -> Checked:
    plan, unit, bench = inputs.plan.model, one.loaded.model, inputs.bench.model
    refused = refusals(plan, unit, bench, Files(inputs.plan.name, one.loaded.name, inputs.bench.name))
    # What can't be built on paper is refused already: its cost is not worked out.
    points = () if refused else expand(plan, unit, bench)
    costs = () if refused else estimates(points, unit, bench, plan.budget.shots_per_point)
    return Checked(plan, unit, bench, points, costs, tuple(refused))


def accepted(
    plan: str | None, units: Sequence[str], bench: str | None
) -> tuple[Check, Inputs, dict[RoleName, Dialect]]:
    """As `checked`, and nothing is refused of any unit. Raises InputRefused with all that is."""
    on_paper, inputs, dialects = checked(plan, units, bench)
    if on_paper.refused:
        raise InputRefused(on_paper.refused)
    return on_paper, inputs, dialects
