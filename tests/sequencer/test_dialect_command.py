"""`nightramp dialect`: what a person sees who describes an instrument, and what a broken file tells."""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers.dialect import shipped_dialects
from sequencer.cli import main

GUIDE_FILES = Path(__file__).resolve().parents[1] / "drivers" / "guide"


@pytest.mark.parametrize("name", shipped_dialects())
def test_each_shipped_file_is_told(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["dialect", name]) == 0
    said = capsys.readouterr().out
    assert said.splitlines()[-1].startswith("whole: ")
    told = [line for line in said.splitlines() if line.split()[0] in ("setting", "act", "each", "trace", "make")]
    assert told
    assert not any("{" in line for line in told)


def test_a_file_of_ones_own_and_its_channel(capsys: pytest.CaptureFixture[str]) -> None:
    """The page: `SEL n`, then `OUT 1`."""
    assert main(["dialect", str(GUIDE_FILES / "supply.dialect.toml"), "--channel", "2"]) == 0
    assert "setting output True: SEL 2 | OUT 1; OUT? -> 'OUT=1'" in capsys.readouterr().out


def test_all_that_is_wrong_is_listed_and_nothing_is_whole(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (GUIDE_FILES / "meter.dialect.toml").read_text(encoding="utf-8")
    path = tmp_path / "mine.dialect.toml"
    path.write_text(text.replace('ask = "READ?"', 'ask = "READ"').replace("[identity]", "[identty]"), encoding="utf-8")
    assert main(["dialect", str(path)]) == 2
    said = capsys.readouterr()
    assert "identty" in said.err
    assert str(path) in said.err
    assert "whole" not in said.out
    path.write_text(text.replace('"meter"', '"scope"'), encoding="utf-8")
    assert main(["dialect", str(path)]) == 2
    assert "role = 'scope'" in capsys.readouterr().err
    assert main(["dialect", str(tmp_path / "none.toml")]) == 2
