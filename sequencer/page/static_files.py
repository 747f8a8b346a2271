"""The files of the page that never change: read once, from this package. The colours are the sheet's own."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

NAMES = ("page.css", "page.js", "icon.svg")
_TOKENS = re.compile(r":root \{[^}]*\}")


def paper_tokens() -> str:
    """Names and values of the colours on a printed sheet."""
    paper = resources.files("sequencer.report").joinpath("templates", "paper.css").read_text(encoding="utf-8")
    found = _TOKENS.search(paper)
    if found is None:
        raise LookupError("the sheet's style has no colours of its own any more: the page takes them from there")
    return found[0]


@cache
def static_files() -> dict[str, bytes]:
    """Name -> content."""
    folder = resources.files("sequencer.page").joinpath("static")
    made = {name: folder.joinpath(name).read_text(encoding="utf-8") for name in NAMES}
    made["page.css"] = f"{paper_tokens()}\n{made['page.css']}"
    return {name: text.encode() for name, text in made.items()}
