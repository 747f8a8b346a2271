"""One pyvisa session in a thread of its own: the blocking half of a link. Nothing here knows of clocks or of
greeting. What is no raw socket: bus_session.

pyvisa-py's socket session spins when the peer has closed, looks at its time-out only when nothing arrives, and
keeps what is left of an old reply. So the thread asks the kernel first what is there (poll, FIONREAD) and reads
exactly that.
"""

from __future__ import annotations

import array
import contextlib
import fcntl
import select
import socket
import termios
import threading
import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from queue import SimpleQueue
from typing import Any

MOST_AT_ONCE = 262_144
MAX_COUNT_READ = 0x3FFF0006  # VI_SUCCESS_MAX_CNT
KEEPALIVE_IDLE_S, KEEPALIVE_EVERY_S, KEEPALIVE_PROBES = 10, 5, 3
DEAD_PEER_MS = 25_000  # like the keepalive: 10 s + 3 probes of 5 s, for bytes that nobody acknowledges

_managers: dict[str, Any] = {}
_manager_lock = threading.Lock()


class PeerClosed(Exception):
    """The other side ended the connection."""


class ReadTimeout(Exception):
    """The thread's own limit on a read ran out."""


class BadBytes(Exception):
    """What came is not a reply: too long, surplus, no block."""


@dataclass(frozen=True)
class Limits:
    """reply_end: line end of replies. most_reply_bytes: without it. read_s: real seconds a whole reply may take.
    ends: how many line ends a reply has. Where reply_end is empty, a reply is `count` bytes long, or over once nothing
    came for silence_s."""

    reply_end: bytes
    most_reply_bytes: int
    read_s: float
    ends: int = 1
    count: int | None = None
    silence_s: float | None = None


def resource_manager(library: str = "@py") -> Any:
    """The one of this process and library, made at the first use: pyvisa takes a tenth of a second to import."""
    with _manager_lock:
        if library not in _managers:
            import pyvisa

            _managers[library] = pyvisa.ResourceManager(library)
        return _managers[library]


class Session:
    """Replies read from a connection; what kind it is, is the matter of those below. heard: keeps each piece that came,
    if somebody wants it kept. ports: names the connection on a virtual clock. All methods but `shut` block and belong
    to one thread."""

    ports: Hashable
    heard: list[bytes] | None = None

    def write(self, data: bytes) -> None:
        """Raises PeerClosed, BadBytes (unread bytes of an earlier reply), OSError."""
        raise NotImplementedError

    def shut(self) -> None:
        """From any thread: end a call that blocks on this connection, where that can be done. The thread must close it
        afterwards."""

    def close(self) -> None:
        """End the connection."""

    def read_line(self, limits: Limits) -> bytes:
        """One reply without its line end."""
        until_s = _real_s() + limits.read_s
        self._begin_reply(limits.reply_end, limits.most_reply_bytes, until_s)
        if not limits.reply_end:
            return self._unended(limits, until_s)
        reply = b""
        while reply.count(limits.reply_end) < limits.ends:
            if len(reply) > limits.most_reply_bytes:
                raise BadBytes(f"more than {limits.most_reply_bytes} bytes without a line end")
            reply += self._some(limits.most_reply_bytes + len(limits.reply_end) + 1, until_s)
        *lines, surplus = reply.split(limits.reply_end, limits.ends)
        line = limits.reply_end.join(lines)
        if len(line) > limits.most_reply_bytes:
            raise BadBytes(f"a line of {len(line)} bytes where at most {limits.most_reply_bytes} were expected")
        if surplus:
            raise BadBytes(f"surplus bytes after a reply: {surplus[:40]!r}")
        self._nothing_unread()
        return line

    def _unended(self, limits: Limits, until_s: float) -> bytes:
        """A reply that nothing ends: by count where it is known, else by silence."""
        if limits.count is not None:
            reply = self._exactly(limits.count, until_s)
            self._nothing_unread()
            return reply
        reply = self._some(limits.most_reply_bytes + 1, until_s)
        while self._more_within(limits.silence_s or 0.0):
            reply += self._some(limits.most_reply_bytes + 1, until_s)
            if len(reply) > limits.most_reply_bytes or _real_s() > until_s:
                raise BadBytes(f"{len(reply)} bytes and no silence")
        return reply

    def read_block(self, limits: Limits, prefix: bytes = b"", ended: bytes = b"\n") -> bytes:
        """Payload of one IEEE 488.2 definite-length block (8.7.9): '#', digit d, d digits of count, payload, line
        end. prefix: what stands before the '#'. ended: what follows the payload.
        """
        until_s = _real_s() + limits.read_s
        self._begin_reply(ended, len(prefix) + 11 + limits.most_reply_bytes, until_s)
        if prefix and (before := self._exactly(len(prefix), until_s)) != prefix:
            raise BadBytes(f"{before!r} before a block instead of {prefix!r}")
        head = self._exactly(2, until_s)
        if head[:1] != b"#" or head[1:] not in b"123456789":
            raise BadBytes(f"no block of definite length: begins with {head!r}")
        digits = self._exactly(int(head[1:]), until_s)
        if not digits.isdigit():
            raise BadBytes(f"block count {digits!r} is no number")
        if int(digits) > limits.most_reply_bytes:
            raise BadBytes(f"block of {int(digits)} bytes where at most {limits.most_reply_bytes} were expected")
        payload = self._exactly(int(digits), until_s)
        end = self._exactly(len(ended), until_s)
        if end != ended:
            raise BadBytes(f"{end!r} after a block instead of the line end")
        self._nothing_unread()
        return payload

    def _begin_reply(self, end: bytes, most_bytes: int, until_s: float) -> None:
        """Where a reply comes whole, or not at all."""

    def _some(self, most: int, until_s: float) -> bytes:
        """At least one byte, at most `most`."""
        data = self._arrived(most, until_s)
        if self.heard is not None:
            self.heard.append(data)
        return data

    def _exactly(self, count: int, until_s: float) -> bytes:
        pieces, left = [], count
        while left:
            pieces.append(self._some(left, until_s))
            left -= len(pieces[-1])
        return b"".join(pieces)

    def _arrived(self, most: int, until_s: float) -> bytes:
        """As `_some`. Raises ReadTimeout, PeerClosed."""
        raise NotImplementedError

    def _more_within(self, seconds: float) -> bool:
        """Whether another byte comes in that time."""
        raise NotImplementedError

    def _nothing_unread(self) -> None:
        """Raises BadBytes if there is."""


class VisaSession(Session):
    """A raw socket."""

    ports: tuple[int, int]

    def __init__(self, address: str, open_s: float) -> None:
        """Connect. Raises OSError if nobody listens, and whatever pyvisa raises."""
        self._quiet = contextlib.ExitStack()
        self._visa = resource_manager().visalib
        self._resource = resource_manager().open_resource(address, open_timeout=max(1, round(open_s * 1000)))
        try:
            self._number = self._resource.session
            self.socket = self._reach_socket()
            self.socket.getpeername()  # pyvisa-py takes a refused connection for an open one
            # Which both ends can see. Our port alone would not do: two links may have the same one.
            self.ports = (int(self.socket.getsockname()[1]), int(self.socket.getpeername()[1]))
            self._set_options()
            # "As many bytes as asked for" is what we ask for; pyvisa would warn each time.
            self._quiet.enter_context(self._resource.ignore_warning(MAX_COUNT_READ))
        except BaseException:
            self.close()
            raise
        self._poll = select.poll()
        self._poll.register(self.socket, select.POLLIN)

    def write(self, data: bytes) -> None:
        self._nothing_unread()
        self._visa.write(self._number, data)

    def shut(self) -> None:
        with contextlib.suppress(OSError):
            self.socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        self._quiet.close()
        self._resource.close()
        with contextlib.suppress(Exception):  # pyvisa-py keeps closed sessions in its table for ever
            self._visa.sessions.pop(self._number, None)

    def _reach_socket(self) -> socket.socket:
        # The visa library offers no way to TCP_NODELAY or to the local port: a private structure, so guarded.
        raw = getattr(self._visa.sessions.get(self._number), "interface", None)
        if not isinstance(raw, socket.socket):
            raise ValueError("this is not a raw socket session of pyvisa-py (TCPIP::host::port::SOCKET)")
        return raw

    def _set_options(self) -> None:
        for level, option, value in (
            (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),  # else a write and a query after it cost 44 ms
            (socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1),
            (socket.IPPROTO_TCP, socket.TCP_KEEPIDLE, KEEPALIVE_IDLE_S),
            (socket.IPPROTO_TCP, socket.TCP_KEEPINTVL, KEEPALIVE_EVERY_S),
            (socket.IPPROTO_TCP, socket.TCP_KEEPCNT, KEEPALIVE_PROBES),
            (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, DEAD_PEER_MS),
        ):
            self.socket.setsockopt(level, option, value)
        self._visa.sessions[self._number].max_recv_size = MOST_AT_ONCE

    def _nothing_unread(self) -> None:
        if self._poll.poll(0):
            waiting = self._waiting_bytes()
            raise BadBytes(f"{waiting} surplus bytes that nobody asked for")

    def _more_within(self, seconds: float) -> bool:
        return bool(self._poll.poll(seconds * 1000))

    def _arrived(self, most: int, until_s: float) -> bytes:
        if not self._poll.poll(max(0.0, until_s - _real_s()) * 1000):
            raise ReadTimeout
        data, _ = self._visa.read(self._number, min(self._waiting_bytes(), most, MOST_AT_ONCE))
        return bytes(data)

    def _waiting_bytes(self) -> int:
        count = array.array("i", [0])
        fcntl.ioctl(self.socket, termios.FIONREAD, count)
        if count[0] == 0:  # readable, yet nothing to read
            raise PeerClosed
        return count[0]


def _real_s() -> float:
    return time.monotonic()  # noqa: TID251 (a thread's own limit: real on a bench, only a guard in a dry run)


class SessionThread:
    """A thread with a simple queue, for one session; daemonic, because a wedged call must not hold up the exit."""

    def __init__(self, name: str) -> None:
        self._jobs: SimpleQueue[Callable[[], None] | None] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def put(self, job: Callable[[], None]) -> None:
        """`job` must not raise."""
        self._jobs.put(job)

    def finish(self) -> None:
        """The thread ends after what is queued."""
        self._jobs.put(None)

    def join(self, timeout_s: float) -> None:
        self._thread.join(timeout_s)

    def _run(self) -> None:
        while (job := self._jobs.get()) is not None:
            job()
