"""What proving a bench found, kept as a dated record: which files it speaks of, step by step what was seen. Pure."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from sequencer.plan.models import Name

Outcome = Literal["held", "failed", "not seen"]


class _Said(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ProofValue(_Said):
    """One figure of a step. unit: as on sheets ("Vrms", "s", "ohm"). expected, allowed (either side): None where there
    is nothing to hold it against."""

    name: str
    value: float | None
    unit: str = ""
    expected: float | None = None
    allowed: float | None = None


class ProofStep(_Said):
    """outcome: "not seen" where this bench has nothing to see it with; never a pass. about: role or input ("generator",
    "digitiser ch1", "bench"). sentence: what was seen, with numbers. next_action: empty where it held."""

    name: str
    about: str
    outcome: Outcome
    sentence: str
    next_action: str = ""
    values: tuple[ProofValue, ...] = ()


class Proof(_Said):
    """files: sha256 by name of the bench file and of each dialect, codec and certificate it names, as they were.
    identities: role to the answer to its identity query. simulated: no real bench was touched. started, ended: ISO 8601
    UTC, bench time."""

    schema_name: Literal["nightramp.proof"] = "nightramp.proof"
    schema_version: Literal[1] = 1
    bench: Name
    files: Annotated[Mapping[str, str], Field(min_length=1)]
    identities: Mapping[str, str]
    simulated: bool
    started: str
    ended: str
    by: str
    made_safe: bool
    steps: Annotated[tuple[ProofStep, ...], Field(min_length=1)]

    @property
    def held(self) -> bool:
        """Nothing failed, something held, and the bench was left safe."""
        outcomes = {one.outcome for one in self.steps}
        return self.made_safe and "failed" not in outcomes and "held" in outcomes


def hash_of(files: Mapping[str, bytes]) -> dict[str, str]:
    """sha256 in hexadecimal by name."""
    return {name: hashlib.sha256(whole).hexdigest() for name, whole in sorted(files.items())}


def changed(proof: Proof, now: Mapping[str, str]) -> Sequence[str]:
    """Names of files that are not what they were when the bench was proved: altered, added or gone."""
    return sorted(name for name in {*proof.files, *now} if proof.files.get(name) != now.get(name))
