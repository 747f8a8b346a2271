"""What a search leaves to later ones of the same unit, as keys of its row, and read back from there. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sequencer.measurements.output_power import Outcome
from sequencer.measurements.power_job import GainProof
from sequencer.measurements.predict import Learned

Row = Mapping[str, Any]


def remembered(outcome: Outcome) -> dict[str, Any]:
    """gain_proof, onset: as GainProof and Learned have them; null where there is none."""
    proof, learned = outcome.proof, outcome.learned
    return {"gain_proof": proof and asdict(proof), "onset": learned and asdict(learned)}


def proof_of(row: Row) -> GainProof | None:
    found = row.get("gain_proof")
    return GainProof(**found) if found else None


def learned_of(rows: Sequence[Row]) -> list[Learned]:
    """In order; the rows of one search say the same, and count once."""
    found = [Learned(**row["onset"]) for row in rows if row.get("onset")]
    return list(dict.fromkeys(found))
