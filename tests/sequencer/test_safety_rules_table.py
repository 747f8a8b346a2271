"""The table of rules against the code that trips, and against the page that shows it."""

from __future__ import annotations

import re
from pathlib import Path

from sequencer.safety import rules, table
from sequencer.safety.rules_events import NAME_OF_ERROR

ROOT = Path(__file__).resolve().parents[2]
# No class of an error: whoever sees it says its name.
BY_THE_NIGHT = {"instrument restarted", "guardian gone", "interlock open", "cut-off dropped"}


def test_the_table_names_every_rule_that_can_trip() -> None:
    """A rule that is not in the table could not be explained to anybody."""
    folder = Path(rules.__file__).parent
    said = {
        name for file in folder.glob("rules*.py") for name in re.findall(r'Breach\(\s*"([a-z ]+)"', file.read_text())
    }
    assert said | set(NAME_OF_ERROR.values()) | BY_THE_NIGHT == {rule.name for rule in rules.TABLE}


def test_each_rule_stands_once_and_says_where_its_figure_is_from() -> None:
    assert len(table.BY_NAME) == len(table.TABLE)
    assert all(rule.stop and rule.trip and rule.source for rule in table.TABLE)


def test_the_developers_page_shows_the_table() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    shown = page.split("<!-- rules of safety: begin -->\n")[1].split("<!-- rules of safety: end -->")[0]
    assert shown == table.markdown()
