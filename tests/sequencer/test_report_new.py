"""Pages drawn after each of many nights: what has ended keeps the sheet it has; the batch page is of all."""

from __future__ import annotations

from pathlib import Path

from sequencer.report.pages import write_pages
from tests.sequencer.report_nights import run, write


def test_only_what_has_no_sheet_or_no_end_is_drawn(tmp_path: Path) -> None:
    """A sheet marked by hand shows whether it was drawn again."""
    ended, open_run = run(run_id="r01"), run(run_id="r02", serial="B") | {"ended": None, "outcome": "unfinished"}
    folder = write(tmp_path / "night", ended, open_run)
    write_pages(folder)
    sheets = {one.name.rpartition("+")[2]: one for one in (folder / "sheets").iterdir()}
    for one in sheets.values():
        one.write_text("marked")
    write(tmp_path / "night", ended, open_run, run(run_id="r03", serial="C"))
    page = write_pages(folder, only_new=True)
    drawn = {name: one.read_text() != "marked" for name, one in sheets.items()}
    assert drawn == {"r01.html": False, "r02.html": True}
    assert len(list((folder / "sheets").iterdir())) == 3
    assert all(one.name in page.read_text() for one in (folder / "sheets").iterdir())
    write_pages(folder)
    assert all(one.read_text() != "marked" for one in sheets.values())
