"""The hours in which a daemon may begin something: `22:00-07:00`, by the clock on the wall. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from sequencer.errors import InputRefused, Problem

FORM = re.compile(r"([01]\d|2[0-3]):([0-5]\d)-([01]\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True)
class Hours:
    """Local wall time; over midnight where `until` is not after `begin`."""

    begin: time
    until: time

    def __str__(self) -> str:
        return f"{self.begin:%H:%M}-{self.until:%H:%M}"

    def closes(self, now: datetime) -> datetime | None:
        """When the hours that `now` lies in end; None outside of them. Local times without a zone, both."""
        for day in (now.date() - timedelta(days=1), now.date()):
            begins = datetime.combine(day, self.begin)
            if begins <= now < (ends := self._end_of(begins)):
                return ends
        return None

    def opens(self, now: datetime) -> datetime:
        """The next time they begin, after `now`."""
        today = datetime.combine(now.date(), self.begin)
        return today if today > now else today + timedelta(days=1)

    def left_s(self, now: datetime) -> float | None:
        """s until they end, None outside of them. On a night when clocks are put forward or back, as many as there
        really are (`datetime.timestamp` knows this machine's zone)."""
        ends = self.closes(now)
        return None if ends is None else ends.timestamp() - now.timestamp()

    def whole_s(self, now: datetime) -> float:
        """s that the next ones, or those that `now` lies in, last altogether."""
        ends = self.closes(now)
        begins = self.opens(now) if ends is None else datetime.combine(ends.date(), self.begin)
        if ends is not None and begins >= ends:
            begins -= timedelta(days=1)
        return self._end_of(begins).timestamp() - begins.timestamp()

    def _end_of(self, begins: datetime) -> datetime:
        ends = datetime.combine(begins.date(), self.until)
        return ends if ends > begins else ends + timedelta(days=1)


def hours_of(text: str) -> Hours:
    """Of `HH:MM-HH:MM`. Raises InputRefused."""
    found = FORM.fullmatch(text)
    if found is None:
        raise _refused(text, "write HH:MM-HH:MM, such as 22:00-07:00")
    first, second, third, fourth = map(int, found.groups())
    begin, until = time(first, second), time(third, fourth)
    if begin == until:
        raise _refused(text, "these hours are empty; leave --window out for all day and night")
    return Hours(begin, until)


def _refused(text: str, remedy: str) -> InputRefused:
    return InputRefused([Problem("command line", "--window", repr(text), remedy)])
