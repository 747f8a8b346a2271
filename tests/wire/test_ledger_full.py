"""A disk that fills up in the middle of a night: the bench is made safe, what was kept stays, and it is said."""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer import whole_night
from sequencer.compose import DryRun, dry_run
from sequencer.ledger.store import Ledger


def test_a_full_disk_ends_the_night_safely_and_by_name(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = dry_run(DryRun(plan="demo", out=tmp_path / "whole"), say=lambda line: None)
    pages = (tmp_path / "whole" / "ledger.sqlite").stat().st_size // 4096

    def small(path: Path) -> Ledger:
        return Ledger(path, pages_at_most=pages // 2)

    monkeypatch.setattr(whole_night, "Ledger", small)
    said: list[str] = []
    done = dry_run(DryRun(plan="demo", out=tmp_path / "full"), say=said.append)
    assert done.exit_code == 5
    assert "LedgerFull" in done.text or "full" in done.text
    assert "made safe, confirmed" in done.text
    monkeypatch.undo()
    with Ledger(tmp_path / "full" / "ledger.sqlite") as ledger:
        kept = ledger.results()
        assert ledger.integrity() == []
    points = [p for run in kept["runs"] for p in run["points"]]
    assert 0 < len(points) < sum(len(r["points"]) for r in whole.results["runs"])
    ours = {(r["unit"]["serial"], p["id"]): p for r in whole.results["runs"] for p in r["points"]}
    for run in kept["runs"]:
        for p in run["points"]:
            assert p["level_vrms"] == ours[(run["unit"]["serial"], p["id"])]["level_vrms"]
