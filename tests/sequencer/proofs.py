"""Proofs of benches for tests; invented, but for the hashes of what is there."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from sequencer.plan.load import DIALECTS, SHIPPED
from sequencer.proving.record import Outcome, Proof, ProofStep

AT = "2026-03-10T18:00:00+00:00"


def step(name: str, about: str, outcome: Outcome = "held", **more: Any) -> ProofStep:
    return ProofStep(name=name, about=about, outcome=outcome, sentence=f"{name} of {about}: 1.234 V was seen", **more)


def proof(*steps: ProofStep, **more: Any) -> Proof:
    told = {
        "bench": "workshop",
        "files": {"bench.toml": "a" * 64, "generator-a": "b" * 64},
        "identities": {"generator": "HARBOUR INSTRUMENTS,FG-1,FG-2214,1.4"},
        "simulated": False,
        "started": AT,
        "ended": AT,
        "by": "the day shift",
        "made_safe": True,
        "steps": steps or (step("level", "generator"), step("response", "thermometer", "not seen")),
    }
    return Proof.model_validate(told | more)


def own_bench(folder: Path) -> Path:
    """The shipped bench as a person's own: its generator's dialect a file beside it."""
    folder.mkdir(parents=True, exist_ok=True)
    shutil.copy(DIALECTS / "generator-a.toml", folder / "ours.dialect.toml")
    text = (SHIPPED / "benches" / "workshop.toml").read_text()
    assert text.count('"generator-a"') == 1
    path = folder / "deck.toml"
    path.write_text(text.replace('"generator-a"', '"ours.dialect.toml"'))
    return path
