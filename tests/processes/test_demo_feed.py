"""A rehearsal that brings its own broker. Truths: the night's own messages.jsonl for what must arrive; the same night
without a broker for its results.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from sequencer.cli import main
from tests.processes.nights import night

pytestmark = pytest.mark.process


async def test_all_that_is_sent_arrives_and_the_results_are_those_without_a_broker(tmp_path: Path) -> None:
    async with night(tmp_path / "with", None) as one:
        assert await one.ended() == 0, one.text
        count = len(one.kept)
        assert f"own: {count} messages sent, {count} received, 0 missing" in one.text
        async with night(tmp_path / "json", None, "--json") as plain:
            assert await plain.ended() == 0, plain.text
            assert "messages sent" not in plain.text
            assert plain.digest == one.digest


def test_without_the_extra_one_line_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("sequencer.publish.demo_feed.is_there", lambda: False)
    assert main(["dry-run", "first", "--out", str(tmp_path / "out")]) == 0
    assert sum("'.[demo]'" in line for line in capsys.readouterr().out.splitlines()) == 1
