"""The file of faults of simulated instruments: TOML, one `[[fault]]` each. Reads, never writes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from sequencer.errors import Problem
from sequencer.plan.load import load_other
from sequencer.plan.models import RoleName, Strict

Kind = Literal[
    "silent", "half", "late", "dribble", "garbage", "surplus",
    "closed", "reset", "refused", "frozen", "babble", "restart",
]  # fmt: skip
LASTING = ("late", "refused", "frozen", "babble")


class DeclaredFault(Strict):
    """One thing that goes wrong with an instrument's link, at a message or at a time.

    at_message: the nth message (from 1) that begins with `begins`; at_s: seconds after the start; exactly one of them.
    times: how often at most, 0 for ever. for_s: how long it lasts; dribble: the gap between bytes.
    """

    role: RoleName
    kind: Kind
    at_message: Annotated[int, Field(ge=1)] | None = None
    at_s: Annotated[float, Field(ge=0)] | None = None
    begins: str = ""
    times: Annotated[int, Field(ge=0)] = 1
    for_s: Annotated[float, Field(ge=0)] = 0.0


class DeclaredBarrierFault(Strict):
    """What goes wrong with a barrier of the bench itself. open: a contact of the interlock, for `for_s` (0: for good);
    welded: the cut-off's relay never drops again.
    """

    kind: Literal["open", "welded"]
    at_s: Annotated[float, Field(ge=0)]
    contact: str = ""
    for_s: Annotated[float, Field(ge=0)] = 0.0


class FaultsFile(Strict):
    """single_connection: roles whose instrument serves one connection and ignores a second."""

    format: Literal[1]
    single_connection: tuple[RoleName, ...] = ()
    fault: tuple[DeclaredFault, ...] = ()
    barrier: tuple[DeclaredBarrierFault, ...] = ()


def load_faults(path: Path) -> FaultsFile:
    """Raises InputRefused with every problem: file, key, value, remedy."""
    return load_other("faults", FaultsFile, _problems, path).model


def _problems(file: FaultsFile, name: str) -> list[Problem]:
    found = [problem for at, one in enumerate(file.fault) for problem in _of_one(one, f"fault[{at}]", name)]
    for at, one in enumerate(file.barrier):
        if (one.kind == "open") is not bool(one.contact):
            remedy = "which contact opens" if one.kind == "open" else "only a contact that opens has one"
            found.append(Problem(name, f"barrier[{at}].contact", repr(one.contact), remedy))
    return found


def _of_one(one: DeclaredFault, at: str, name: str) -> Iterator[Problem]:
    if one.at_message is None and one.at_s is None:
        yield Problem(name, f"{at}.at_s", "(nothing)", "say when it strikes: at_s or at_message")
    if one.at_message is not None and one.at_s is not None:
        yield Problem(name, f"{at}.at_s", str(one.at_s), "either at_s or at_message, not both")
    if one.kind in LASTING and not one.for_s:
        yield Problem(name, f"{at}.for_s", str(one.for_s), f"how long it lasts: {one.kind} of 0 s is no fault")
