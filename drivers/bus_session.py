"""Everything that is no raw socket, by its VISA resource string: VXI-11, HiSLIP, USBTMC, GPIB, serial. The blocking
half of such a link, through pyvisa-py or another VISA library.

A message of a bus has an end of its own (END of IEEE 488.2, 7.5), whatever the line end: it is read whole. A serial
line has none: its bytes are taken as they come, and what ends a reply is the dialect's matter.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from typing import Any, Literal

from drivers.visa_session import MAX_COUNT_READ, BadBytes, PeerClosed, ReadTimeout, Session, _real_s, resource_manager

TIMED_OUT, CONNECTION_LOST = -1073807339, -1073807194  # VI_ERROR_TMO, VI_ERROR_CONN_LOST
LEAST_WAIT_S = 0.001
PIECE_BYTES = 65_536
WRITE_WITHIN_S = 1.0


@dataclass(frozen=True)
class SerialLine:
    """baud in bits per second; bits per character; flow: who may hold the other side up."""

    baud: int = 9600
    bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "odd", "even", "mark", "space"] = "none"
    stop_bits: float = 1.0
    flow: Literal["none", "xon_xoff", "rts_cts", "dtr_dsr"] = "none"


class BusSession(Session):
    """A message-based resource with an END."""

    def __init__(self, address: str, open_s: float, library: str = "@py") -> None:
        """Raises whatever pyvisa raises."""
        self._quiet = contextlib.ExitStack()
        self._unread = b""
        self._told_ms = -1
        manager = resource_manager(library)
        self._resource: Any = manager.open_resource(address, open_timeout=max(1, round(open_s * 1000)))
        self.ports = f"{address} #{id(self)}"
        try:
            self._quiet.enter_context(self._resource.ignore_warning(MAX_COUNT_READ))
            self._begin()
        except BaseException:
            self.close()
            raise

    def _begin(self) -> None:
        """What another connection has left half said is dropped, before the first message (IEEE 488.2, 5.8: a device
        clear changes no setting). Who knows no such thing is left alone."""
        self._within(WRITE_WITHIN_S)
        with contextlib.suppress(Exception):
            self._resource.clear()

    def write(self, data: bytes) -> None:
        self._nothing_unread()
        self._within(WRITE_WITHIN_S)
        with _named():
            self._resource.write_raw(data)

    def close(self) -> None:
        self._quiet.close()
        self._resource.close()

    def _begin_reply(self, end: bytes, most_bytes: int, until_s: float) -> None:
        """The whole message. Where it has no line end besides its END, one is put behind it.

        More of it is left only where a read says that it was full: for END some libraries say VI_SUCCESS, others
        VI_SUCCESS_TERM_CHAR, though no such character was asked for.
        """
        whole, is_over = bytearray(), False
        while not is_over:
            piece, status = self._read(PIECE_BYTES, until_s)
            whole += piece
            is_over = status != MAX_COUNT_READ
            if len(whole) > most_bytes + len(end):
                raise BadBytes(f"more than {most_bytes} bytes without an end")
        self._unread = bytes(whole)
        if self.heard is not None:
            self.heard.append(self._unread)
        if end and not self._unread.endswith(end):
            self._unread += end

    def _read(self, most: int, until_s: float) -> tuple[bytes, int]:
        self._within(until_s - _real_s())
        with _named():
            data, status = self._resource.visalib.read(self._resource.session, most)
        return bytes(data), int(status)

    def _some(self, most: int, until_s: float) -> bytes:
        if not self._unread:
            raise BadBytes("the message has ended too early")
        piece, self._unread = self._unread[:most], self._unread[most:]
        return piece

    def _more_within(self, seconds: float) -> bool:
        return bool(self._unread)

    def _nothing_unread(self) -> None:
        if self._unread:
            raise BadBytes(f"{len(self._unread)} surplus bytes that nobody asked for: {self._unread[:40]!r}")

    def _within(self, seconds: float) -> None:
        ms = max(1, round(max(seconds, LEAST_WAIT_S) * 1000))
        if ms != self._told_ms:
            self._resource.timeout = self._told_ms = ms


class SerialSession(BusSession):
    """A serial line. `line` may have been set in the instrument; both sides must agree."""

    def __init__(self, address: str, open_s: float, line: SerialLine, library: str = "@py") -> None:
        self._line = line
        super().__init__(address, open_s, library)

    def _begin(self) -> None:
        from pyvisa.constants import BufferOperation, ControlFlow, Parity, SerialTermination, StopBits

        flow = {
            "none": ControlFlow.none,
            "xon_xoff": ControlFlow.xon_xoff,
            "rts_cts": ControlFlow.rts_cts,
            "dtr_dsr": ControlFlow.dtr_dsr,
        }
        stop = {1.0: StopBits.one, 1.5: StopBits.one_and_a_half, 2.0: StopBits.two}
        self._resource.baud_rate, self._resource.data_bits = self._line.baud, self._line.bits
        self._resource.parity = Parity[self._line.parity]
        self._resource.stop_bits, self._resource.flow_control = stop[self._line.stop_bits], flow[self._line.flow]
        self._resource.end_input = self._resource.end_output = SerialTermination.none
        with contextlib.suppress(Exception):  # what was said before we came; not every library knows how to drop it
            self._resource.flush(BufferOperation.discard_read_buffer)

    def _begin_reply(self, end: bytes, most_bytes: int, until_s: float) -> None:
        """Nothing comes whole here."""

    def _some(self, most: int, until_s: float) -> bytes:
        return Session._some(self, most, until_s)

    def _arrived(self, most: int, until_s: float) -> bytes:
        waiting = self._waiting()
        if not waiting and until_s - _real_s() <= 0:
            raise ReadTimeout
        return self._read(min(max(waiting, 1), most), until_s)[0]

    def _more_within(self, seconds: float) -> bool:
        """Puts the byte that came where `_arrived` finds it."""
        if self._waiting():
            return True
        try:
            self._unread = self._read(1, _real_s() + seconds)[0]
        except ReadTimeout:
            return False
        return True

    def _read(self, most: int, until_s: float) -> tuple[bytes, int]:
        if self._unread:
            piece, self._unread = self._unread[:most], self._unread[most:]
            return piece, MAX_COUNT_READ
        return super()._read(most, until_s)

    def _nothing_unread(self) -> None:
        if waiting := self._waiting():
            raise BadBytes(f"{waiting} surplus bytes that nobody asked for")

    def _waiting(self) -> int:
        return len(self._unread) or int(self._resource.bytes_in_buffer)


@contextlib.contextmanager
def _named() -> Any:
    """Our own classes for what a VISA library raises."""
    from pyvisa.errors import VisaIOError

    try:
        yield
    except VisaIOError as error:
        if error.error_code == TIMED_OUT:
            raise ReadTimeout from error
        if error.error_code == CONNECTION_LOST:
            raise PeerClosed from error
        raise
