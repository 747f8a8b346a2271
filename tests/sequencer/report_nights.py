"""Nights for the tests of the printed pages: one really rehearsed, others invented. Invented numbers are made up."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

from sequencer.compose import DryRun, dry_run
from sequencer.ledger.rows import Results, checked
from tests.sequencer.ledger_rows import LATER, channel, head, point

HOSTILE = (
    "<script>alert(1)</script>",
    "\"><img src=x onerror=alert(1)>' onload='x",
    "{{ 7 * 7 }}{% raw %}&lt;b&gt;$x^2$",
    "\u202eevil\u2066\u200fאבג مرحبا\r\n\x00\x1b[31m",
    "W" * 200,
    "../../etc/passwd",
)


@cache
def rehearsed() -> tuple[Path, dict[str, Any]]:
    """The folder and the results of a night of the plan `demo`; nothing in it is changed by a test."""
    out = Path(mkdtemp(prefix="nightramp-paper-")) / "night"
    done = dry_run(DryRun(plan="demo", out=out), say=lambda line: None)
    assert done.exit_code == 0, done.text
    return out, json.loads((out / "results.json").read_text())


def rating(**more: Any) -> dict[str, Any]:
    return {
        "load_ohm": 4.0, "supply_v": 24.0, "power_w": 100.0, "thd_pct": 1.0, "channels_driven": 2, "cycles": 20,
    } | more  # fmt: skip


def run(*points: dict[str, Any], serial: str = "FPA-0117", run_id: str = "r01", **more: Any) -> dict[str, Any]:
    whole = head(run_id, serial) | {"outcome": "finished", "ended": LATER, "points": list(points), "seed": None} | more
    return checked(Results, {"format": 1, "runs": [whole]}).model_dump()["runs"][0]  # type: ignore[no-any-return]


def power_of(
    at_limit_w: float | None, expanded_w: float = 2.0, accepted_w: float = 95.0, **more: Any
) -> dict[str, Any]:
    """A measured point of one driven pair whose channels are alike."""
    one = {
        "power_w": accepted_w,
        "power_expanded_uncertainty_w": expanded_w,
        "power_at_limit_w": at_limit_w,
        "power_at_limit_expanded_uncertainty_w": None if at_limit_w is None else expanded_w,
    }
    return point(channels=[channel("A", **one)], **more)


def write(folder: Path, *runs: dict[str, Any], suspect: str | None = None) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "results.json").write_text(json.dumps({"format": 1, "runs": list(runs), "suspect": suspect}))
    return folder
