"""A simulated instrument on a TCP port: bytes taken in are acknowledged, messages cost time, replies may go wrong.

One processing queue per instrument, not per connection: an instrument that is late is busy until then, and a new
connection's messages queue behind. What belongs to a dead connection is still executed; its reply goes nowhere.
"""

from __future__ import annotations

import asyncio
import socket
import struct
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from simulators.faults import Chunk, FaultWatch, LinkFault, LinkFaults, Occasion, shaped
from simulators.panel import Panel, Wait
from simulators.timebase import Handle, TimeBase

LEAST_COST_S = 0.0002  # a message that costs nothing would let a loop of polls stop time
MOST_LINE_BYTES = 65_536
MOST_QUEUED = 4_096

Log = Callable[[int, str, str, bytes | None], None]
"""(ns, instrument, message, the panel's reply or None); a fault that strikes is written as a message
"(kind)".
"""


class _Connection(asyncio.Protocol):
    """One client. Bytes of a connection that is not served yet are taken in and kept, up to a line's length."""

    def __init__(self, server: InstrumentServer) -> None:
        self._server = server
        self._transport: asyncio.Transport | None = None
        self._rest = b""
        self._too_long = False
        self._end_reported = False
        self.ports: tuple[int, int] = (0, 0)  # the client's, ours: two clients may have the same one
        self.served = False

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self.ports = transport.get_extra_info("peername")[1], transport.get_extra_info("sockname")[1]
        self._server.timebase.connected(self.ports)
        self._server.attach(self)

    def data_received(self, data: bytes) -> None:
        # The messages are on the heap before the bytes are acknowledged: from then on time may move.
        self._rest += data
        self.take_lines()
        self._server.timebase.received(self.ports, len(data))

    def take_lines(self) -> None:
        if self.served:
            end = self._server.panel.terminator[-1:]
            *lines, self._rest = self._rest.split(end)
            for line in lines:
                self._take(line)
        if len(self._rest) > MOST_LINE_BYTES:
            self._rest, self._too_long = b"", True

    def _take(self, line: bytes) -> None:
        too_long, self._too_long = self._too_long, False
        if not too_long:
            self._server.take(self, line.rstrip(b"\r").decode("latin-1"))

    def connection_lost(self, exc: Exception | None) -> None:
        self._transport = None
        self._server.detach(self)
        self._report_end()

    def send(self, chunk: Chunk) -> None:
        if self._transport is None or self._transport.is_closing():
            return
        if chunk.completes:
            self._server.timebase.reply_complete(self.ports)
        self._transport.write(chunk.data)

    def end(self, *, reset: bool) -> None:
        if self._transport is None:
            return
        if reset:  # no lingering: the kernel answers with RST instead of FIN
            raw: socket.socket = self._transport.get_extra_info("socket")
            raw.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._transport.abort()
        self._report_end()

    def _report_end(self) -> None:
        if not self._end_reported:  # at once if we end it: whoever waits for a reply has work from this very instant
            self._end_reported = True
            self._server.timebase.disconnected(self.ports)


@dataclass(frozen=True)
class _Job:
    connection: _Connection
    message: str


class InstrumentServer:
    """Serves one panel on 127.0.0.1. `single_connection`: a second client is accepted and ignored until the first
    goes.
    """

    def __init__(
        self,
        panel: Panel,
        timebase: TimeBase,
        faults: LinkFaults | None = None,
        log: Log | None = None,
        *,
        single_connection: bool = False,
        port: int = 0,
    ) -> None:
        self.panel, self.timebase = panel, timebase
        self._faults = faults or LinkFaults()
        self._watch = FaultWatch(self._faults)
        self._log = log or (lambda now_ns, name, message, reply: None)
        self._single = single_connection
        self._queue: deque[_Job] = deque()
        self._connections: list[_Connection] = []
        self._emptied = asyncio.Event()
        self._listener: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._wakes: dict[int, Handle] = {}
        self._wake_count = 0
        self._busy = False
        self._hung = False
        self._frozen_until_ns = 0
        self._port = port
        self.worked_s = 0.0  # real seconds inside the panel: told to a person, never part of a reply

    @property
    def port(self) -> int:
        return self._port

    @property
    def address(self) -> str:
        """VISA resource name."""
        return f"TCPIP::127.0.0.1::{self._port}::SOCKET"

    async def start(self) -> None:
        """Listen on the port asked for, 0: a free one. Raises OSError."""
        await self._listen()
        for fault in self._faults.faults:
            if fault.strikes_by_itself and fault.at_s is not None:
                self._at(round(fault.at_s * 1e9), lambda fault=fault: self._strike_link(fault))  # type: ignore[misc]

    async def stop(self) -> None:
        """End listener, connections and pending wake-ups."""
        for wake in self._wakes.values():
            wake.cancel()
        self._wakes.clear()
        self._close_listener()
        for connection in list(self._connections):
            connection.end(reset=False)
        if self._connections:
            self._emptied.clear()
            await self._emptied.wait()

    # Connections

    def attach(self, connection: _Connection) -> None:
        self._connections.append(connection)
        if not self._single or len(self._connections) == 1:
            self._serve(connection)

    def detach(self, connection: _Connection) -> None:
        self._connections.remove(connection)
        if not self._connections:
            self._emptied.set()
        if self._single and self._connections and not self._connections[0].served:
            self._serve(self._connections[0])

    def _serve(self, connection: _Connection) -> None:
        connection.served = True
        self.panel.connected()
        if self._hung:
            self._hung = False
            self._next()
        connection.take_lines()

    async def _listen(self) -> None:
        loop = asyncio.get_running_loop()
        self._listener = await loop.create_server(lambda: _Connection(self), "127.0.0.1", self._port)
        self._port = self._listener.sockets[0].getsockname()[1]

    def _close_listener(self) -> None:
        if self._listener is not None:
            self._listener.close()
            self._listener = None

    def _listen_again(self) -> None:
        task = asyncio.get_running_loop().create_task(self._listen(), name=f"{self.panel.name} listens again")
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    # Messages, in order

    def take(self, connection: _Connection, message: str) -> None:
        if len(self._queue) >= MOST_QUEUED:
            self._log(self.timebase.now_ns(), self.panel.name, "(queue full)", None)
            return
        self._queue.append(_Job(connection, message))
        if not self._busy:
            self._next()

    def _next(self) -> None:
        self._busy = bool(self._queue)
        if not self._busy:
            return
        job = self._queue.popleft()
        cost_s = max(LEAST_COST_S, self.panel.cost_s(job.message))
        self._after(round(cost_s * 1e9), lambda: self._begin(job))

    def _begin(self, job: _Job) -> None:
        fault = self._watch.before(self._occasion(job, has_reply=False))
        if fault is None:
            self._execute(job)
            return
        self._strike_link(fault)
        if fault.kind == "frozen":  # all wait, this message too
            self._execute(job)
        else:  # its connection is gone before it could act
            self._next()

    def _execute(self, job: _Job) -> None:
        now_ns = self.timebase.now_ns()
        if now_ns < self._frozen_until_ns:
            self._at(self._frozen_until_ns, lambda: self._execute(job))
            return
        begun_s = _real_s()
        outcome = self.panel.execute(job.message, now_ns)
        self.worked_s += _real_s() - begun_s
        if isinstance(outcome, Wait):
            self._wait(job, outcome, now_ns)
            return
        self._log(now_ns, self.panel.name, job.message, outcome)
        if outcome is None:
            self._next()
            return
        if self._faults.rewrite is not None:
            outcome = self._faults.rewrite(job.message, outcome)
        fault = self._watch.after(self._occasion(job, has_reply=True))
        if fault is not None:
            self._log(now_ns, self.panel.name, f"({fault.kind})", None)
        self._send(job.connection, shaped(outcome, self.panel.terminator, fault), fault)

    def _wait(self, job: _Job, wait: Wait, now_ns: int) -> None:
        if wait.until_ns is None:
            self._hung = True
            return
        later_ns = max(wait.until_ns - now_ns, 1)  # a wait that has ended already must not stop time
        self._after(later_ns, lambda: self._execute(job))

    def _occasion(self, job: _Job, *, has_reply: bool) -> Occasion:
        return Occasion(self.panel.name, job.message, self.timebase.now_ns(), has_reply)

    def _send(self, connection: _Connection, chunks: list[Chunk], fault: LinkFault | None) -> None:
        """Send in their time; the instrument is busy until the last but a surplus reply, which nobody asked for."""
        if not chunks:
            self._next()
            return
        first, *rest = chunks
        if first.after_ns:
            self._after(first.after_ns, lambda: self._send_now(connection, first, rest, fault))
        else:
            self._send_now(connection, first, rest, fault)

    def _send_now(self, connection: _Connection, chunk: Chunk, rest: list[Chunk], fault: LinkFault | None) -> None:
        connection.send(chunk)
        if rest and fault is not None and fault.kind == "surplus":
            unasked, rest = rest[0], []
            self._after(unasked.after_ns, lambda: connection.send(unasked))
        self._send(connection, rest, fault)

    # Faults of the link as a whole

    def _strike_link(self, fault: LinkFault) -> None:
        self._log(self.timebase.now_ns(), self.panel.name, f"({fault.kind})", None)
        delay_ns = round(fault.for_s * 1e9)
        if fault.kind == "frozen":
            self._frozen_until_ns = max(self._frozen_until_ns, self.timebase.now_ns() + delay_ns)
            return
        if fault.kind == "refused":
            self._close_listener()
            self._after(delay_ns, self._listen_again)
        if fault.kind == "restart":
            self._queue.clear()
            if self._faults.on_restart is not None:
                self._faults.on_restart()
        for connection in list(self._connections):
            connection.end(reset=fault.kind in ("reset", "restart"))

    # Time

    def _after(self, delay_ns: int, callback: Callable[[], None]) -> None:
        self._at(self.timebase.now_ns() + delay_ns, callback)

    def _at(self, when_ns: int, callback: Callable[[], None]) -> None:
        self._wake_count += 1
        number = self._wake_count

        def woken() -> None:
            self._wakes.pop(number, None)
            callback()

        self._wakes[number] = self.timebase.call_at_ns(when_ns, woken)


def _real_s() -> float:
    return time.perf_counter()  # noqa: TID251 (what the simulation costs; no instrument sees it)
