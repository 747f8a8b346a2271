"""The parts of the page as last drawn, and who looks: each viewer is sent what is newer than what it has.

There is no queue: who reads slowly misses what lay between, and who does not read at all costs one waiting task.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

MOST_VIEWERS = 50
REMEMBERED = 64


class Gallery:
    """All on one loop, the page's own. number: of the latest change."""

    def __init__(self, most: int = MOST_VIEWERS) -> None:
        self._parts: dict[str, tuple[int, str]] = {}
        self._most, self.viewers = most, 0
        self._changed, self._sent = asyncio.Event(), dict[tuple[int, int], bytes]()
        self.number = 0

    @contextmanager
    def viewer(self) -> Iterator[bool]:
        """False: there are too many already."""
        if self.viewers >= self._most:
            yield False
            return
        self.viewers += 1
        try:
            yield True
        finally:
            self.viewers -= 1

    def hang(self, parts: Mapping[str, str]) -> None:
        """Only what differs from before counts as news."""
        news = {name: html for name, html in parts.items() if self._parts.get(name, (0, None))[1] != html}
        if not news:
            return
        self.number += 1
        self._parts.update({name: (self.number, html) for name, html in news.items()})
        self._sent.clear()
        before, self._changed = self._changed, asyncio.Event()
        before.set()

    def since(self, number: int) -> bytes:
        """One event with all parts newer than that; the same bytes for all who have the same."""
        key = (number, self.number)
        if key not in self._sent:
            newer = {name: html for name, (at, html) in self._parts.items() if at > number}
            if len(self._sent) >= REMEMBERED:
                self._sent.clear()
            self._sent[key] = event("parts", newer)
        return self._sent[key]

    async def newer(self, number: int) -> None:
        """Returns once there is something newer than that."""
        while self.number <= number:
            await self._changed.wait()


def event(kind: str, body: object) -> bytes:
    """A server-sent event (WHATWG HTML, 9.2): its data is one line of JSON, so that no text can begin another one."""
    return f"event: {kind}\ndata: {json.dumps(body, ensure_ascii=True)}\n\n".encode("ascii")
