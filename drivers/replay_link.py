"""Links that a recording answers instead of an instrument: each message must be the recorded one, each reply comes at
its recorded time, byte for byte, and what failed then fails again. No hardware, no socket, no thread.

The first difference ends it: it is kept with what was recorded and what was sent, and from then on every link raises
it.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict, deque
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any, Protocol, TypeVar, cast

from drivers import errors
from drivers.errors import InstrumentError, LinkClosed
from drivers.link import ENDED, OPENED, UNREAD, Link, LinkModel
from drivers.resource import Kind, kind_of
from drivers.tape import CAME, EVENT, SENT, Entry, escaped, masked, side_by_side
from drivers.timing import Clock
from drivers.visa_session import BadBytes, Session

T = TypeVar("T")
PATIENCE_S = 0.01  # past its recorded time, for a message that nobody sends
LOOKED_AHEAD = 200  # messages of an instrument, to say that what is sent now was recorded later
KINDS = {one.__name__: one for one in vars(errors).values() if isinstance(one, type)}


class ReplayDiffers(Exception):
    """What is done now is not what was recorded; or the recording is over."""


class Timeline(Clock, Protocol):
    """A clock that can also call."""

    def call_at_ns(self, when_ns: int, callback: Callable[[], None]) -> Any:
        """`callback` at `when_ns`, or at once if that is past."""


class Replay:
    """A recording being replayed. Hand `link` to whoever builds actors."""

    def __init__(self, entries: Iterator[Entry]) -> None:
        """entries: in the file's order, without what is said of the night as a whole. They are read as they are
        needed."""
        self._rest = entries
        self._read: defaultdict[str, deque[Entry]] = defaultdict(deque)
        self.difference: ReplayDiffers | None = None
        self.is_over = False  # more was asked for than was recorded
        self.differs = asyncio.Event()
        self.replayed = 0

    def link(self, model: LinkModel, clock: Clock) -> Link:
        """As `Link`, answered by the recording. clock: a Timeline."""
        return ReplayLink(model, cast("Timeline", clock), self)

    def peek(self, who: str) -> Entry | None:
        """The next of an instrument, None at its end."""
        read = self._read[who]
        while not read:
            entry = next(self._rest, None)
            if entry is None:
                return None
            self._read[entry.who].append(entry)
        return read[0]

    def take(self, who: str) -> None:
        self._read[who].popleft()
        self.replayed += 1

    def left(self) -> Entry | None:
        """The first entry that nobody has asked for, None if all is replayed."""
        waiting = [read[0] for read in self._read.values() if read]
        return min(waiting, key=lambda entry: entry.line) if waiting else next(self._rest, None)

    def refuse(self, sentence: str) -> ReplayDiffers:
        """The first difference, this one or an earlier one."""
        if self.difference is None:
            self.difference = ReplayDiffers(sentence)
            self.differs.set()
        return self.difference

    def ahead(self, who: str) -> Iterator[Entry]:
        """What stands behind the next of an instrument, as far as it is looked at."""
        read = self._read[who]
        while len(read) < LOOKED_AHEAD and (entry := next(self._rest, None)) is not None:
            self._read[entry.who].append(entry)
        return islice(read, 1, LOOKED_AHEAD)


class ReplayLink(Link):
    """One instrument's.

    On a real clock two tasks may have asked it within the same moment, one of them held up by its own work, which
    takes no time now: so the order of requests is the recorded one, as far as each is there by its recorded time.
    """

    has_order = True

    def __init__(self, model: LinkModel, clock: Timeline, replay: Replay) -> None:
        super().__init__(model, clock)
        self._replay, self._timeline = replay, clock
        self._is_begun, self._is_open = False, False

    @property
    def is_open(self) -> bool:
        return self._is_open

    def is_next(self, message: str) -> bool:
        entry = self._replay.peek(self.model.name)
        if self._replay.difference is not None or not self._is_open or entry is None or entry.sign != SENT:
            return True
        return not message or entry.data == masked(self._bytes_of(message))

    def patience_s(self) -> float:
        entry = self._replay.peek(self.model.name)
        if self._replay.difference is not None or entry is None:
            return 0.0
        return (entry.t_ns - self._clock.now_ns()) / 1e9 + PATIENCE_S

    async def open(self) -> None:
        self._is_begun = True
        entry = self._next("opens the link")
        if entry.sign != EVENT:
            raise self._otherwise(entry, "opens the link")
        await self._outcome(entry)
        self._is_open = True

    async def write(self, message: str) -> None:
        await self._sent(message)
        entry = self._replay.peek(self.model.name)
        if entry is not None and entry.sign == EVENT and entry.data.startswith(b"failed "):
            await self._outcome(entry)

    async def break_off(self) -> None:
        if not self._is_begun:
            return
        self._is_begun, self._is_open = False, False
        if self._replay.difference is not None:
            return
        self._pass_unread()
        entry = self._replay.peek(self.model.name)
        if entry is None or (entry.sign, entry.data) != (EVENT, ENDED):
            self._otherwise(entry, "ends the link")
            return
        self._replay.take(self.model.name)

    async def _exchange(self, message: str, read: Callable[[Session], T]) -> T:
        await self._sent(message)
        self._pass_unread()
        entry = self._next("waits for the reply")
        if entry.sign == EVENT:
            await self._outcome(entry)
        if entry.sign != CAME:
            raise self._otherwise(entry, "waits for the reply")
        await self._at(entry.t_ns)
        self._replay.take(self.model.name)
        try:
            return read(_Heard(entry.data, has_end=kind_of(self.model.address) in (Kind.SOCKET, Kind.SERIAL)))
        except Exception as error:
            raise self._named(error) from error

    def _pass_unread(self) -> None:
        """What had come of a reply that is none."""
        while (entry := self._replay.peek(self.model.name)) and entry.sign == EVENT and entry.data.startswith(UNREAD):
            self._replay.take(self.model.name)

    async def _sent(self, message: str) -> None:
        if self._replay.difference is not None:
            raise self._replay.difference
        if not self._is_open:
            raise LinkClosed(self.model.name, "the link is not open")
        data = masked(self._bytes_of(message))
        entry = self._next(f"sends {escaped(data)[:80]}")
        if entry.sign != SENT or entry.data != data:
            raise self._other_message(entry, data)
        await self._at(entry.t_ns)
        self._replay.take(self.model.name)

    async def _outcome(self, entry: Entry) -> None:
        """Opened, failed, or ended before it could be either: then nothing comes of it."""
        if entry.data == ENDED:
            await asyncio.get_running_loop().create_future()  # its deadline, or whoever broke it off, ends this
        await self._at(entry.t_ns)
        self._replay.take(self.model.name)
        word, _, rest = entry.data.decode("utf-8", "replace").partition(" ")
        if word == OPENED:
            return
        kind, _, sentence = rest.partition(" ")
        if word != "failed" or not issubclass(KINDS.get(kind, Exception), InstrumentError):
            raise self._replay.refuse(f"line {entry.line}: {escaped(entry.data)!r} is no event of this version")
        raise KINDS[kind](self.model.name, sentence)

    async def _at(self, when_ns: int) -> None:
        """Until the recorded time; on a clock that leaps it is never late."""
        if when_ns <= self._clock.now_ns():
            return
        reached: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        wake = self._timeline.call_at_ns(when_ns, lambda: None if reached.done() else reached.set_result(None))
        try:
            await reached
        finally:
            wake.cancel()

    def _next(self, does: str) -> Entry:
        if self._replay.difference is not None:
            raise self._replay.difference
        entry = self._replay.peek(self.model.name)
        if entry is None:
            raise self._otherwise(None, does)
        return entry

    # What is told

    def _otherwise(self, entry: Entry | None, does: str) -> ReplayDiffers:
        name, now_s = self.model.name, self._clock.now_ns() / 1e9
        if entry is None:
            self._replay.is_over = self._replay.is_over or self._replay.difference is None
            return self._replay.refuse(f"{name} at {now_s:.9f} s: now {does}, but the recording has no more of {name}")
        words = {SENT: "a message", CAME: "a reply", EVENT: "the link"}[entry.sign]
        told = f"{words}, {escaped(entry.data)[:120]!r}".replace("\\\\", "\\")
        return self._replay.refuse(
            f"{name} at {now_s:.9f} s: now {does}; recorded there (line {entry.line}, {entry.at} s): {told}"
        )

    def _other_message(self, entry: Entry, data: bytes) -> ReplayDiffers:
        name, now_s = self.model.name, self._clock.now_ns() / 1e9
        if entry.sign != SENT:
            return self._otherwise(entry, f"sends {escaped(data)[:80]}")
        first = f"{name} at {entry.at} s (line {entry.line}): another message is sent now than was recorded"
        if entry.t_ns != self._clock.now_ns():
            first += f", at {now_s:.9f} s"
        lines = [first, side_by_side("recorded", entry.data, "sent now", data)]
        for later in self._replay.ahead(name):
            if later.sign == SENT and later.data == data:
                lines.append(f"  recorded too, but later: line {later.line}, at {later.at} s")
                break
        return self._replay.refuse("\n".join(lines))


class _Heard(Session):
    """A recorded reply, read as a connection is."""

    def __init__(self, data: bytes, *, has_end: bool) -> None:
        self._data, self._has_end = data, has_end

    def _begin_reply(self, end: bytes, most_bytes: int, until_s: float) -> None:
        """A bus may end its messages without a line end."""
        if end and not self._has_end and not self._data.endswith(end):
            self._data += end

    def _arrived(self, most: int, until_s: float) -> bytes:
        if not self._data:
            raise BadBytes("the recorded reply is shorter than the one that is read now")
        piece, self._data = self._data[:most], self._data[most:]
        return piece

    def _more_within(self, seconds: float) -> bool:
        return bool(self._data)

    def _nothing_unread(self) -> None:
        if self._data:
            raise BadBytes(f"the recorded reply has {len(self._data)} bytes more than are read now")
