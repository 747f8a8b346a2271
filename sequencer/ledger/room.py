"""Room on the disk: enough for a whole night before it begins, and enough for its end while it lasts."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from sequencer.errors import InputRefused, Problem
from sequencer.ledger.faults import LedgerFull
from sequencer.ledger.traces import SAMPLES_AT_MOST
from sequencer.plan.cost import Estimate
from sequencer.plan.points import AnyPoint

MEGABYTE = 1_000_000
SPARE_BYTES = 64 * MEGABYTE  # for pages, results and the journal of the ledger, whatever the night
ROW_BYTES = 200_000  # a row with its table of cycles, once in the ledger, once as a message, once in the results
SAMPLE_BYTES = 2  # before compression
INPUTS = 4


def needed_bytes(points: Sequence[AnyPoint], costs: Sequence[Estimate], keep_shots: bool) -> int:
    """At most, for one unit. points and costs: alike in number and order."""
    total = 0
    for point, cost in zip(points, costs, strict=True):
        samples = cost.window.samples if cost.window else SAMPLES_AT_MOST
        total += ROW_BYTES + point.keep_traces * min(samples, SAMPLES_AT_MOST) * INPUTS * SAMPLE_BYTES
        total += cost.shots * samples * INPUTS * SAMPLE_BYTES if keep_shots else 0
    return total


def free_bytes(folder: Path) -> int:
    """Where `folder` is, or will be. Raises OSError."""
    there = next(one for one in (folder, *folder.absolute().parents) if one.exists())
    return shutil.disk_usage(there).free


def refuse_small_disk(out: Path, needed: int) -> None:
    """Raises InputRefused before anything is written or energised, where the night may not fit."""
    try:
        free = free_bytes(out)
    except OSError:
        return  # what is wrong with the folder is said when it is made
    if free < needed + SPARE_BYTES:
        words = f"up to {_mb(needed + SPARE_BYTES)} are needed: make room, or name a folder on another disk"
        raise InputRefused([Problem("command line", "--out", f"{out} ({_mb(free)} free)", words)])


def refuse_full(out: Path) -> None:
    """Raises LedgerFull while there is still room for the night's end: a row that was kept stays kept."""
    if (free := free_bytes(out)) < SPARE_BYTES // 2:
        raise LedgerFull(f"{out}: {_mb(free)} free on the disk, less than a night's end needs; make room")


def _mb(count: int) -> str:
    return f"{count / MEGABYTE:.0f} MB"
