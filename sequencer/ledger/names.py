"""Names from people (serials, benches) made fit for one file name or one level of a topic. Pure."""

from __future__ import annotations

import hashlib
import re

LONGEST = 60
_OTHER = re.compile(r"[^A-Za-z0-9._-]+")


def safe_name(text: str) -> str:
    """`text` itself where it holds only letters, digits, `.`, `_`, `-` and does not begin with a dot or dash.

    Else the same with every other run of characters replaced by one dash, and eight digits of its SHA-256 behind,
    so that two different names stay different and none of them can leave a folder or cut a topic.
    """
    clean = _OTHER.sub("-", text).lstrip(".-")[:LONGEST]
    if clean == text and clean:
        return clean
    digest = hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{clean.rstrip('-.') or 'unnamed'}-{digest}"
