"""Where a bench's proof lies, and the files that it is of: read, hashed, written whole or not at all."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from drivers.dialect import Dialect
from sequencer.errors import InputRefused, Problem
from sequencer.ledger.results import write_whole
from sequencer.plan.inputs import Loaded
from sequencer.plan.load import DIALECTS, SHIPPED
from sequencer.plan.models import Bench, RoleName
from sequencer.proving.gate import BenchNow, Kept, doubts, met, sentence, settled, strangers
from sequencer.proving.record import Proof

ENDING = ".proof.json"
LARGEST_BYTES = 1 << 22
SCHEMA = "nightramp.proof"


@dataclass(frozen=True)
class ProofAsked:
    """What a start was told of its bench's proof. file: where its record lies, else beside the bench's file.
    unproved_by: who answers for a bench without one."""

    file: Path | None = None
    unproved_by: str | None = None


USUAL = ProofAsked()


def record_path(bench: Loaded[Bench], named: Path | None = None) -> Path:
    """Beside the bench's file; in the current folder for a bench that ships."""
    if named is not None:
        return named
    is_shipped = bench.path.resolve().is_relative_to(SHIPPED)
    return (Path.cwd() if is_shipped else bench.path.parent) / f"{bench.path.stem}{ENDING}"


def files_now(bench: Loaded[Bench], dialects: Mapping[RoleName, Dialect]) -> dict[str, str]:
    """sha256 of the bench's file as it was loaded, and of each dialect and codec that it names as they are now, by the
    name that the bench has for them. What can't be read is not in it."""
    found = {name: hashed for name, path in named_files(bench, dialects).items() if (hashed := _sha256(path))}
    return dict(sorted((found | {bench.path.name: bench.sha256}).items()))


def named_files(bench: Loaded[Bench], dialects: Mapping[RoleName, Dialect]) -> dict[str, Path]:
    """Dialects and codecs by the name that the bench has for them."""
    found: dict[str, Path] = {}
    for role, dialect in dialects.items():
        named = bench.model.role[role].dialect
        own = named.endswith(".toml")
        found[named] = path = bench.path.parent / named if own else DIALECTS / f"{named}.toml"
        if dialect.file.codec is not None:
            found[str(Path(named).parent / dialect.file.codec)] = path.parent / dialect.file.codec
    return found


def _sha256(path: Path) -> str | None:
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        return None


def kept_at(path: Path) -> Kept:
    """What lies there."""
    try:
        with path.open("rb") as stream:
            raw = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        return Kept(path.name)
    except OSError as error:
        return Kept(path.name, why=f"can't be read: {(error.strerror or 'no reason given').lower()}")
    if len(raw) > LARGEST_BYTES:
        return Kept(path.name, why="too large to be a bench's proof: 4 MiB at most")
    try:
        return Kept(path.name, Proof.model_validate_json(raw))
    except ValidationError as wrong:
        first = wrong.errors()[0]
        place = ".".join(map(str, first["loc"])) or "file"
        return Kept(path.name, why=f"no bench's proof, or changed by hand: {place}: {first['msg']}")


def standing(
    asked: ProofAsked, bench: Loaded[Bench], dialects: Mapping[RoleName, Dialect], now: datetime
) -> dict[str, Any]:
    """What stands of this bench's proof, as results keep it. Raises gate.NotProved."""
    kept = kept_at(record_path(bench, asked.file))
    record = None if asked.file is None else str(asked.file)
    return settled(kept, bench_now(bench, dialects, record), now, asked.unproved_by)


def held_against(
    asked: ProofAsked, bench: Loaded[Bench], dialects: Mapping[RoleName, Dialect], answers: Mapping[str, str]
) -> dict[str, Any]:
    """What stands of a proof that was found to hold, once the instruments have answered. Raises gate.NotProved."""
    kept = kept_at(record_path(bench, asked.file))
    record = None if asked.file is None else str(asked.file)
    return met(kept, bench_now(bench, dialects, record), answers, asked.unproved_by)


def looked_up(
    asked: ProofAsked,
    bench: Loaded[Bench],
    dialects: Mapping[RoleName, Dialect],
    now: datetime,
    answers: Mapping[str, str],
) -> dict[str, Any]:
    """As a start would find it now, for who only looks: `proved`, a `sentence`, and the `command` that proves it.
    answers: identities by role, where instruments were asked."""
    kept = kept_at(record_path(bench, asked.file))
    record = None if asked.file is None else str(asked.file)
    there = bench_now(bench, dialects, record)
    found = doubts(kept, there, now)
    if not found and kept.proof is not None:
        found = list(strangers(kept.proof, kept.name, answers))
    told = "; ".join(map(str, found)) if found else sentence(settled(kept, there, now, None))
    return {"proved": not found, "sentence": told, "command": there.command}


def bench_now(bench: Loaded[Bench], dialects: Mapping[RoleName, Dialect], record: str | None = None) -> BenchNow:
    return BenchNow(bench.name, bench.model.name, files_now(bench, dialects), record)


def refuse_place(path: Path, *, simulated: bool) -> None:
    """Before anything is touched. Raises InputRefused: a record can't be written there, or would go over what must
    stay: a file of another kind, or a proof on real instruments by one in simulated time."""
    why = None
    if path.is_dir():
        why = "is a folder: name a file in it"
    elif not path.parent.is_dir():
        why = f"there is no folder {path.parent}"
    elif not os.access(path.parent, os.W_OK | os.X_OK):
        why = f"nothing can be written in {path.parent}: name another"
    elif os.path.lexists(path):
        why = _why_not_over(path, simulated=simulated)
    if why:
        raise InputRefused([Problem("command line", "--proof", str(path), why)])


def _why_not_over(path: Path, *, simulated: bool) -> str | None:
    try:
        told = json.loads(path.read_bytes())
    except (OSError, ValueError):
        told = None
    if not isinstance(told, dict) or told.get("schema_name") != SCHEMA:
        return "is no bench's proof, and is not written over: name another"
    if simulated and told.get("simulated") is not True:
        return "holds a proof on real instruments, which a rehearsal does not replace: name another"
    return None


def write_proof(path: Path, proof: Proof) -> None:
    """Whole or not at all. Raises OSError."""
    told = json.loads(proof.model_dump_json())  # a figure that is no number is null there
    text = json.dumps(told, indent=1, sort_keys=True, allow_nan=False)
    write_whole(path, (text + "\n").encode())
