"""What a night was told, kept beside its results: plan, bench and units in full, so that its records can be analysed
again when the files they came from have long changed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.results import write_whole
from sequencer.plan.models import Bench, Name, Plan, Strict, Unit

DECLARED_NAME = "declared.json"


class DeclaredRun(Strict):
    """One unit in one bay. reference: measured first and last."""

    unit: Unit
    bay: Name
    reference: bool = False


class Declared(Strict):
    """format 1. run: by the run's id."""

    format: Literal[1] = 1
    plan: Plan
    bench: Bench
    run: Annotated[Mapping[str, DeclaredRun], Field(min_length=1)]


def write_declared(folder: Path, declared: Declared) -> None:
    """Whole or not at all; the same night gives the same bytes. Only what was set: some defaults hang on that."""
    told = declared.model_dump(mode="json", exclude_unset=True)
    text = json.dumps(told, indent=1, sort_keys=True, allow_nan=False)
    write_whole(folder / DECLARED_NAME, (text + "\n").encode())


def read_declared(folder: Path) -> Declared:
    """Raises InputRefused: none there (a night of an earlier version), or one that was changed by hand."""
    path = folder / DECLARED_NAME
    try:
        return Declared.model_validate_json(path.read_bytes())
    except FileNotFoundError:
        remedy = "only a night's own folder can be analysed again, and only since it keeps what it was told"
        raise InputRefused([Problem(str(path), "file", "missing", remedy)]) from None
    except OSError as error:
        raise InputRefused([Problem(str(path), "file", "unreadable", error.strerror or "no reason given")]) from None
    except ValidationError as error:
        problems = [
            Problem(str(path), ".".join(map(str, e["loc"])) or "file", repr(e["input"])[:60], e["msg"])
            for e in error.errors()
        ]
        raise InputRefused(problems) from None
