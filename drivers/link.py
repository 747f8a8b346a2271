"""A link to one instrument as the loop sees it: open, write, query, break off, each on the clock handed in.

The ledger of work is kept here: a key is at work from before its thread starts until the task that awaited it has
the result. After any exception, a cancel included, the caller must `break_off` before it awaits anything else of
the clock: the key stays at work until then, so that no virtual time can pass between a failure and its tear-down.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

from drivers.answer_text import AnswerShape, NoAnswer
from drivers.bus_session import BusSession, SerialLine, SerialSession
from drivers.codec import Codec, decoded, encoded
from drivers.errors import GarbledReply, GuardExpired, InstrumentError, LinkClosed, LinkRefused, LinkTimeout
from drivers.resource import Kind, kind_of
from drivers.speaker import Line
from drivers.tape import CAME, EVENT, SENT, without_secret
from drivers.timing import Clock
from drivers.visa_session import BadBytes, Limits, PeerClosed, ReadTimeout, Session, SessionThread, VisaSession

T = TypeVar("T")
Tap = Callable[[int, str, str, bytes | Sequence[bytes]], None]
"""(ns of the clock, instrument, sign of drivers.tape, bytes, also in pieces)."""

OPENED, UNREAD, ENDED = "opened", b"unread ", b"ended"  # events of a recording; a fourth: `failed`

THREAD_MARGIN_S = 0.05  # on a bench a blocked read ends this long before the deadline of its exchange
CLOSE_WITHIN_S = 1.0  # on a bench: a thread that has not closed by then is left behind
JOIN_WITHIN_S = 1.0


@dataclass(frozen=True)
class LinkModel:
    """One instrument's connection.

    name: for messages; address: a VISA resource string. message_end, reply_end: line ends. within_s: deadline
    of an exchange unless told otherwise. open_within_s: for the connection alone. reopen_pause_s: rest between
    tear-down and reopening, so that an instrument with one connection has seen the old one end; in a dry run also
    the modelled cost of both. most_reply_bytes: longest line. guard_s: real limit of a read in a dry run, only
    against a broken simulator. gap_s, acknowledge, echo, prompt, silence_s: as in a dialect file. codec: turns
    messages into bytes and bytes into replies, where a file names one. line: of a serial one. library: the VISA library
    for all but raw sockets, as pyvisa names it.
    """

    name: str
    address: str
    message_end: bytes = b"\n"
    reply_end: bytes = b"\n"
    within_s: float = 2.0
    open_within_s: float = 2.0
    reopen_pause_s: float = 0.02
    most_reply_bytes: int = 65_536
    guard_s: float = 60.0
    gap_s: float = 0.0
    acknowledge: str | None = None
    prompt: bytes = b""
    echo: bool = False
    silence_s: float | None = None
    codec: Codec | None = None
    line: SerialLine = field(default_factory=SerialLine)
    library: str = "@py"

    @property
    def shape(self) -> AnswerShape:
        return AnswerShape(self.reply_end, self.prompt, self.echo)


class _Wire:
    """A thread and the session it makes. The session stays within reach even if whoever asked for it was
    cancelled."""

    def __init__(self, name: str) -> None:
        self.thread = SessionThread(f"link {name}")
        self.session: Session | None = None

    def connect(self, model: LinkModel) -> Session:
        kind = kind_of(model.address)
        if kind is Kind.SOCKET:
            self.session = VisaSession(model.address, model.open_within_s)
        elif kind is Kind.SERIAL:
            self.session = SerialSession(model.address, model.open_within_s, model.line, model.library)
        else:
            self.session = BusSession(model.address, model.open_within_s, model.library)
        return self.session

    def close(self) -> None:
        if self.session is not None:
            self.session.close()


class Link:
    """At most one exchange at a time; the actor sees to that. tap: hears every byte, if somebody listens."""

    def __init__(self, model: LinkModel, clock: Clock, tap: Tap | None = None) -> None:
        self.model, self._clock, self._tap = model, clock, tap
        self._wire: _Wire | None = None
        self._session: Session | None = None
        self._opening = f"opening {model.name} #{id(self)}"

    has_order = False  # True: it knows what is sent next, and is asked

    @property
    def is_open(self) -> bool:
        return self._session is not None

    def is_next(self, message: str) -> bool:
        """Whether a request may begin with this message now."""
        return True

    def patience_s(self) -> float:
        """How long the message that is next may still be waited for."""
        return 0.0

    def socket_option(self, level: int, option: int) -> int:
        """Reads a socket option back. Raises LinkClosed if not open."""
        return self._socket_session().socket.getsockopt(level, option)

    @property
    def local_port(self) -> int:
        """Our own TCP port. Raises LinkClosed if not open."""
        return self._socket_session().ports[0]

    def _socket_session(self) -> VisaSession:
        if not isinstance(self._session, VisaSession):
            raise LinkClosed(self.model.name, "the link is not open, or no socket")
        return self._session

    async def open(self) -> None:
        """Connect. Held as work until the other side has accepted. Raises LinkRefused."""
        self._clock.begin(self._opening)
        wire = self._wire = _Wire(self.model.name)
        try:
            session = await self._in_thread(lambda: wire.connect(self.model), wire.thread)
        except InstrumentError as error:
            self._heard(EVENT, failed(error))
            raise
        self._clock.begin(session.ports)
        await self._clock.taken(session.ports)
        self._session = session
        self._clock.end(session.ports)
        self._clock.end(self._opening)
        if self._tap is not None:
            session.heard = []
        self._heard(EVENT, f"{OPENED} {without_secret(self.model.address)}".encode())

    async def write(self, message: str) -> None:
        """Over when the other side has taken the bytes in (dry run) or the kernel has them (bench)."""
        wire, session, data = self._begin(message, expects_reply=False)
        try:
            await self._in_thread(lambda: session.write(data), wire.thread)
        except InstrumentError as error:
            self._heard(EVENT, failed(error))
            raise
        await self._clock.taken(session.ports)
        self._clock.end(session.ports)

    async def query(self, message: str, within_s: float, *, answers: bool = True) -> str:
        """One answer; answers: it is more than an echo or a prompt. Raises LinkTimeout, LinkClosed, GarbledReply,
        GuardExpired."""
        limits = self._limits(self.model.most_reply_bytes, within_s, message, answers)
        return await self._exchange(message, lambda session: self._text(message, session.read_line(limits), answers))

    async def query_block(self, message: str, most_bytes: int, within_s: float) -> bytes:
        """Payload of a definite-length block. Raises as `query`."""
        limits = self._limits(most_bytes, within_s, message)
        line = message if isinstance(message, Line) else Line(message)
        around = line.block_prefix.encode("latin-1"), limits.reply_end if line.block_ended else b""
        return await self._exchange(message, lambda session: session.read_block(limits, *around))

    async def break_off(self) -> None:
        """End the connection, whatever its state; work until the other side has seen it end. Without the pause."""
        wire, self._wire, self._session = self._wire, None, None
        if wire is None:
            return
        self._clock.begin(self._opening)
        keys: list[Hashable] = [self._opening]
        try:
            if wire.session is not None:
                wire.session.shut()
            await self._close(wire)
            if wire.session is not None:  # also one whose opener was cancelled
                keys.append(wire.session.ports)
                self._clock.begin(wire.session.ports)
                await self._clock.gone(wire.session.ports)
        finally:
            for key in keys:
                self._clock.end(key)
            self._heard_unread(wire.session)
            self._heard(EVENT, ENDED)

    def _heard(self, sign: str, data: bytes | Sequence[bytes]) -> None:
        if self._tap is not None:
            self._tap(self._clock.now_ns(), self.model.name, sign, data)

    def _heard_unread(self, session: Session | None) -> None:
        """What came of a reply that is none; nobody reads now."""
        if session is not None and session.heard:
            heard, session.heard = session.heard, []
            self._heard(EVENT, (UNREAD, *heard))

    async def _close(self, wire: _Wire) -> None:
        closed = self._put(wire.thread, wire.close)
        closed.add_done_callback(lambda done: done.cancelled() or done.exception())
        wire.thread.finish()
        try:
            async with self._clock.deadline(CLOSE_WITHIN_S):
                await asyncio.wait((closed,))
        except TimeoutError:
            return  # wedged: the thread is left behind, and closes the session if its call ever ends
        wire.thread.join(JOIN_WITHIN_S)  # it has done its last job: microseconds

    def _text(self, message: str, came: bytes, answers: bool) -> str:
        try:
            line = self.model.shape.answer(message.encode("latin-1"), came, answers)
            if self.model.codec is not None:
                return decoded(self.model.codec, message, line)
        except (NoAnswer, ValueError) as error:
            raise BadBytes(str(error)) from None
        text = line.decode("latin-1")
        if isinstance(message, Line) and message.raw:
            return text
        text = text.rstrip("\r")
        if not text.isprintable():
            raise BadBytes(f"the reply to {message!r} is no text: {line[:40]!r}")
        return text

    def _begin(self, message: str, *, expects_reply: bool) -> tuple[_Wire, Session, bytes]:
        if self._session is None or self._wire is None:
            raise LinkClosed(self.model.name, "the link is not open")
        data = self._bytes_of(message)
        self._heard(SENT, data)
        self._clock.begin(self._session.ports, expects_reply=expects_reply)
        self._clock.announce(self._session.ports, len(data))
        return self._wire, self._session, data

    def _bytes_of(self, message: str) -> bytes:
        if self.model.codec is None:
            return message.encode("latin-1") + self.model.message_end
        try:
            return encoded(self.model.codec, message)
        except ValueError as error:
            raise GarbledReply(self.model.name, f"not sent: {error}") from None

    async def _exchange(self, message: str, read: Callable[[Session], T]) -> T:
        wire, session, data = self._begin(message, expects_reply=True)

        def both() -> T:
            session.write(data)
            return read(session)

        try:
            reply = await self._in_thread(both, wire.thread)
        except InstrumentError as error:
            # The thread may have found out from half a reply, at some real moment: wait for a virtual one.
            await self._clock.answered(session.ports)
            self._heard_unread(session)
            self._heard(EVENT, failed(error))
            raise
        await self._clock.answered(session.ports)
        self._clock.end(session.ports)
        if session.heard:
            heard, session.heard = session.heard, []
            self._heard(CAME, heard)
        return reply

    def _limits(self, most_bytes: int, within_s: float, message: str, answers: bool = True) -> Limits:
        read_s = self.model.guard_s if self._clock.virtual else max(within_s - THREAD_MARGIN_S, within_s / 2)
        count, shape = message.reply_bytes if isinstance(message, Line) else None, self.model.shape
        return Limits(shape.last, most_bytes, read_s, shape.ends(answers), count, self.model.silence_s)

    async def _in_thread(self, job: Callable[[], T], thread: SessionThread) -> T:
        try:
            return await self._put(thread, job)
        except Exception as error:
            raise self._named(error) from error

    def _put(self, thread: SessionThread, job: Callable[[], T]) -> asyncio.Future[T]:
        """The future may be cancelled; the thread goes on with the job all the same."""
        loop = asyncio.get_running_loop()
        result: asyncio.Future[T] = loop.create_future()

        def run() -> None:
            try:
                value, error = job(), None
            except BaseException as failure:
                value, error = None, failure
            with contextlib.suppress(RuntimeError):  # the loop has been closed: nobody waits any more
                loop.call_soon_threadsafe(_resolve, result, value, error)

        thread.put(run)
        return result

    def _named(self, error: Exception) -> Exception:
        """Our own class for whatever pyvisa, the socket or the thread raised."""
        name = self.model.name
        if isinstance(error, ReadTimeout) and self._clock.virtual:
            return GuardExpired(f"{name}: no reply within {self.model.guard_s} real seconds of a dry run")
        if isinstance(error, ReadTimeout):
            return LinkTimeout(name, "no complete reply in time")
        if isinstance(error, BadBytes):
            return GarbledReply(name, str(error))
        if self._session is None:
            return LinkRefused(name, f"no connection to {self.model.address}: {error}")
        if isinstance(error, PeerClosed | OSError):
            return LinkClosed(name, f"the instrument ended the connection ({error or 'end of stream'})")
        return LinkClosed(name, f"the connection broke: {type(error).__name__}: {error}")


def _resolve(result: asyncio.Future[Any], value: Any, error: BaseException | None) -> None:
    if result.done():
        return
    if error is not None:
        result.set_exception(error)
    else:
        result.set_result(value)


def failed(error: InstrumentError) -> bytes:
    """The event that a recording keeps of an exchange, or an opening, that failed."""
    return f"failed {type(error).__name__} {without_secret(error.sentence)}".encode()
