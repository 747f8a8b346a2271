"""The transcripts of the programming pages, as they stand in simulators/panels/MANUALS.md."""

from __future__ import annotations

import re
from pathlib import Path

from simulators.panel import Wait
from simulators.panels.front import Front
from tests.simulators.panel_talk import Talk

MANUALS = (Path(__file__).parents[2] / "simulators" / "panels" / "MANUALS.md").read_text(encoding="utf-8")
NOTHING = "(nothing)"
Lines = list[tuple[str, str]]


def transcripts(front: str) -> list[Lines]:
    """Of a page, in their order: (message, reply or "(nothing)")."""
    (page,) = re.findall(rf"^## {front}:.*?(?=^## |\Z)", MANUALS, re.MULTILINE | re.DOTALL)
    blocks = re.findall(r"^```\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    return [[_line(line) for line in block.splitlines()] for block in blocks]


def _line(text: str) -> tuple[str, str]:
    message, reply = text.split(" -> ")
    return message, reply


def said(panel: Front, talk: Talk, message: str) -> str:
    """The reply without its line end, whatever had to be waited for, or "(nothing)"."""
    reply = talk.ask(panel, message)
    while isinstance(reply, Wait):
        assert reply.until_ns is not None
        talk.now_ns = reply.until_ns
        reply = panel.execute(message, talk.now_ns)
    if reply is None:
        return NOTHING
    assert reply.endswith(panel.terminator), reply
    return reply.removesuffix(panel.terminator).decode("latin-1")


def replay(panel: Front, talk: Talk, lines: Lines) -> None:
    """All of a transcript; what differs is told with its place."""
    got = [(message, said(panel, talk, message)) for message, _ in lines]
    assert got == lines
