"""What a guardian left behind, as the next start reads it."""

from __future__ import annotations

import contextlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any


@dataclass(frozen=True)
class Acted:
    """The last time a guardian acted. confirmed: signal and supply read off and the rail was seen to be down."""

    run: str
    sentence: str
    confirmed: bool


def read_record(path: Path) -> Acted | None:
    """None where it had nothing to do. A record that breaks off is one of an act that did not end."""
    try:
        text = path.read_text(encoding="utf-8", errors="replace")
    except FileNotFoundError:
        return None
    lines = text.splitlines()
    if not lines:
        return None
    last = _parsed(lines[-1])
    if "confirmed" in last:
        return Acted(str(last.get("run")), str(last.get("what")), last["confirmed"] is True)
    run = next((str(found["run"]) for line in reversed(lines) if "run" in (found := _parsed(line))), "unknown")
    return Acted(run, "the guardian began to switch off, and its record breaks off: NOT CONFIRMED SAFE", False)


def _parsed(line: str) -> dict[str, Any]:
    with contextlib.suppress(ValueError):
        found = json.loads(line)
        if isinstance(found, dict):
            return found
    return {}
