"""The world's past, cut where something changed. Reading it changes nothing."""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from dataclasses import dataclass, field

from simulators.world.dead import Dead
from simulators.world.live import Live
from simulators.world.setting import Response, Setting, State

KEPT_SEGMENTS = 4000
KEPT_RESPONSES = 12  # solved ones hold arrays; older ones are solved again if anybody asks


@dataclass
class Segment:
    """From one change to the next. until_ns None: the present."""

    from_ns: int
    setting: Setting
    start: State
    bay: str | None
    until_ns: int | None = None
    limited: bool | None = None
    _response: Response | None = field(default=None, repr=False)

    @property
    def response(self) -> Response:
        if self._response is None:
            unit = self.setting.unit
            self._response = (
                Live(self.setting, unit, self.start, self.from_ns)
                if unit is not None and self.setting.live
                else Dead(self.setting, self.start)
            )
        return self._response

    def forget(self) -> None:
        """Drop the solved arrays."""
        self._response = None

    def seconds(self, when_ns: int) -> float:
        return (when_ns - self.from_ns) * 1e-9

    def limited_between(self, from_ns: int, to_ns: int) -> bool:
        """The supply was in current limit at some instant; a closed segment that never was answers at once."""
        if self.limited is False:
            return False
        return self.response.limited_between(self.seconds(from_ns), self.seconds(to_ns))


class Timeline:
    """Segments in order, the last one open."""

    def __init__(self, first: Segment) -> None:
        self._segments = [first]
        self._starts = [first.from_ns]

    @property
    def last(self) -> Segment:
        return self._segments[-1]

    def append(self, segment: Segment) -> None:
        """Close the last one where `segment` begins; one without length gives way."""
        if segment.from_ns == self.last.from_ns and len(self._segments) > 1:
            self._segments.pop()
            self._starts.pop()
        self.last.until_ns = segment.from_ns
        self._segments.append(segment)
        self._starts.append(segment.from_ns)
        if len(self._segments) > KEPT_RESPONSES:
            self._segments[-1 - KEPT_RESPONSES].forget()
        if len(self._segments) > 2 * KEPT_SEGMENTS:
            del self._segments[:-KEPT_SEGMENTS]
            del self._starts[:-KEPT_SEGMENTS]

    def at(self, when_ns: int) -> Segment:
        """The segment of an instant; the first one for all time before."""
        return self._segments[max(bisect.bisect_right(self._starts, when_ns) - 1, 0)]

    def pieces(self, from_ns: int, to_ns: int) -> Iterator[tuple[Segment, int, int]]:
        """The segments of a window, each with the part of the window that is its own."""
        first = max(bisect.bisect_right(self._starts, from_ns) - 1, 0)
        for segment in self._segments[first:]:
            if segment.from_ns >= to_ns > from_ns or segment.from_ns > to_ns:
                return
            end_ns = to_ns if segment.until_ns is None else min(to_ns, segment.until_ns)
            yield segment, max(from_ns, segment.from_ns), end_ns
