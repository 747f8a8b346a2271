"""What a night was told, kept beside its results: plan, bench and units in full, so that its records can be analysed
again when the files they came from have long changed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.results import write_whole
from sequencer.plan.methods import Method
from sequencer.plan.models import Bench, Name, Plan, Strict, Unit
from sequencer.plan.wording import problems_of

DECLARED_NAME = "declared.json"
DECLARED_FOLDER = "declared"  # of a folder that keeps many nights: one file each


class DeclaredRun(Strict):
    """One unit in one bay. reference: measured first and last."""

    unit: Unit
    bay: Name
    reference: bool = False


class DeclaredNight(Strict):
    """How the night was begun, so that another process can go on with it. order: of the runs, by id. bench_file: an
    absolute path or a shipped name. simulated: a rehearsal. sha256: of the files as they were. proof: of the bench, as
    results keep it."""

    order: Annotated[tuple[str, ...], Field(min_length=1)]
    seed: int
    simulated: bool
    bench_file: str
    plan_sha256: str
    bench_sha256: str
    version: str
    keep_shots: bool = False
    method: Method | None = None
    proof: Mapping[str, Any] | None = None


class Declared(Strict):
    """format 1. run: by the run's id. night: absent in nights of earlier versions."""

    format: Literal[1] = 1
    plan: Plan
    bench: Bench
    run: Annotated[Mapping[str, DeclaredRun], Field(min_length=1)]
    night: DeclaredNight | None = None


def write_declared(folder: Path, declared: Declared, *, one_of_many: bool = False) -> None:
    """Whole or not at all; the same night gives the same bytes. Only what was set: some defaults hang on that.
    one_of_many: under the name of its first run, beside those of other nights."""
    path = folder / DECLARED_FOLDER / f"{next(iter(declared.run))}.json" if one_of_many else folder / DECLARED_NAME
    told = declared.model_dump(mode="json", exclude_unset=True)
    text = json.dumps(told, indent=1, sort_keys=True, allow_nan=False)
    path.parent.mkdir(exist_ok=True)
    write_whole(path, (text + "\n").encode())


def declared_of_runs(folder: Path) -> dict[str, Declared]:
    """Of one night or of many, by the id of each run. Raises InputRefused as `read_declared`."""
    several = sorted((folder / DECLARED_FOLDER).glob("*.json"))
    every = [_read(path) for path in several]
    if not several or (folder / DECLARED_NAME).exists():
        every.append(read_declared(folder))
    return {run_id: one for one in every for run_id in one.run}


def read_declared(folder: Path) -> Declared:
    """Raises InputRefused: none there (a night of an earlier version), or one that was changed by hand."""
    return _read(folder / DECLARED_NAME)


def _read(path: Path) -> Declared:
    try:
        text = path.read_bytes()
        return Declared.model_validate_json(text)
    except FileNotFoundError:
        remedy = "name the folder of a night; nights of earlier versions did not keep what they were told"
        raise InputRefused([Problem(str(path), "file", "missing", remedy)]) from None
    except OSError as error:
        why = (error.strerror or "no reason given").lower()
        raise InputRefused([Problem(str(path), "file", f"unreadable ({why})", "make it readable")]) from None
    except ValidationError as error:
        if error.errors()[0]["type"] == "json_invalid":
            remedy = "it is written by the night itself: restore it from a copy"
            raise InputRefused([Problem(str(path), "file", "not JSON", remedy)]) from None
        raise InputRefused(problems_of(error, Declared, json.loads(text), str(path))) from None
