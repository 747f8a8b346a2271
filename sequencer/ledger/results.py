"""results.json and messages.jsonl: written whole or not at all, from the ledger; and read back, checked."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.plain import from_json, row_to_json, row_to_line
from sequencer.ledger.rows import Results, checked
from sequencer.ledger.store import Ledger
from sequencer.plan.wording import problems_of

RESULTS_NAME = "results.json"
MESSAGES_NAME = "messages.jsonl"
NAME_RESULTS = f"name a ledger, {RESULTS_NAME}, or the folder that holds one"


def results_text(results: Mapping[str, Any]) -> str:
    """Keys sorted, one a line; same results, same bytes. Raises RowRefused for what format 1 forbids."""
    return row_to_json(checked(Results, results).model_dump())


def write_results(out_dir: Path, ledger: Ledger) -> dict[str, Any]:
    """Writes results.json and messages.jsonl of all the ledger holds; returns the results as written."""
    results = ledger.results()
    write_whole(out_dir / RESULTS_NAME, results_text(results).encode())
    lines = [row_to_line(message.as_row()) + "\n" for message in ledger.outbox()]
    write_whole(out_dir / MESSAGES_NAME, "".join(lines).encode())
    return results


def read_results(path: Path) -> dict[str, Any]:
    """Results of format 1 from a file, or from the folder that holds it; absent keys have their defaults.

    Raises InputRefused: no such file, no JSON, another format, each wrong key with its path.
    """
    path = path / RESULTS_NAME if path.is_dir() else path
    try:
        found = from_json(path.read_text(encoding="utf-8"))
    except OSError as error:
        why = (error.strerror or "no reason given").lower()
        raise _refused(path, "file", f"unreadable ({why})", NAME_RESULTS) from None
    except ValueError as error:
        raise _refused(path, "file", f"not JSON ({error})", NAME_RESULTS) from None
    except RecursionError:
        raise _refused(path, "file", "nested too deeply", NAME_RESULTS) from None
    try:
        return Results.model_validate(found).model_dump()
    except ValidationError as wrong:
        raise InputRefused(problems_of(wrong, Results, found, str(path))) from None


def results_schema() -> dict[str, Any]:
    """JSON Schema of results.json."""
    return Results.model_json_schema()


def write_whole(path: Path, data: bytes) -> None:
    """Under another name, onto the disk, then in place: a reader sees the old file or the new, never half."""
    part = path.with_name(path.name + ".part")  # a fixed name: what a dead writer left is overwritten
    try:
        with open(part, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """The new name itself is on the disk only when the folder is."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _refused(path: Path, key: str, value: str, remedy: str) -> InputRefused:
    return InputRefused([Problem(str(path), key, value, remedy)])
