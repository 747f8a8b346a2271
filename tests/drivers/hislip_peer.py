"""An instrument that speaks HiSLIP, for tests: two TCP connections, SCPI answered by a panel of the simulators.

Messages, their numbers and their order are IVI-6.1's, from memory: header `HS`, type, control code, parameter and
length, most significant byte first; a message ends with DataEnd; a reply carries the identifier of what it answers.
"""

from __future__ import annotations

import contextlib
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from simulators.panel import Wait
from simulators.panels.front import Front
from tests.simulators.panel_talk import Talk

HEADER = struct.Struct("!2sBBIQ")
INITIALIZE, INITIALIZE_RESPONSE = 0, 1
DATA, DATA_END = 6, 7
CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE = 8, 9
MAXIMUM_SIZE, MAXIMUM_SIZE_RESPONSE = 15, 16
ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 17, 18
ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 19, 23
VERSION = 0x0100  # 1.0


@dataclass
class Habits:
    """piece_bytes: most of a reply in one message; bare_end: the last of them is empty. line_end: whether replies have
    one beside their END. takes_bytes: most that a message to it may hold. clears: whether a device clear is answered.
    stale: sent before each reply, with the identifier of another question. pieces: after so many of a reply both
    connections end."""

    piece_bytes: int = 1 << 20
    bare_end: bool = False
    line_end: bool = True
    takes_bytes: int = 1 << 20
    clears: bool = True
    stale: bytes = b""
    pieces: int | None = None


class HislipPeer:
    """answer: to one whole message, without its line end; None: it has no reply. heard: such messages. sizes: payloads
    of what came. opened: how often, by sub-address. held: while set, nothing is answered."""

    def __init__(self, answer: Callable[[str], bytes | None], habits: Habits) -> None:
        self._answer, self._habits = answer, habits
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.address = f"TCPIP::127.0.0.1::hislip0,{self._listener.getsockname()[1]}::INSTR"
        self._open: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.heard: list[str] = []
        self.sizes: list[int] = []
        self.opened: list[str] = []
        self.cleared = 0
        self.held = False
        self._begin(self._accept)

    def drop(self) -> None:
        """Both connections end."""
        for one in self._open:
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()
        self._open.clear()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.drop()
        for thread in self._threads:
            thread.join(5.0)
            assert not thread.is_alive()

    def _begin(self, work: Callable[..., None], *given: Any) -> None:
        thread = threading.Thread(target=work, args=given)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                connection, _ = self._listener.accept()
                self._open.append(connection)
                self._begin(self._serve, connection)

    def _serve(self, connection: socket.socket) -> None:
        """What comes first says which of the two it is."""
        message = b""
        with contextlib.suppress(OSError, EOFError):
            while True:
                kind, parameter, payload = self._read(connection)
                if kind == INITIALIZE:
                    self.opened.append(payload.decode())
                    self._say(connection, INITIALIZE_RESPONSE, VERSION << 16 | len(self.opened))
                elif kind == ASYNC_INITIALIZE:
                    assert parameter == len(self.opened), "another session's second connection"
                    self._say(connection, ASYNC_INITIALIZE_RESPONSE, int.from_bytes(b"\0\0QQ", "big"))
                elif kind == MAXIMUM_SIZE:
                    self._say(connection, MAXIMUM_SIZE_RESPONSE, 0, struct.pack("!Q", self._habits.takes_bytes))
                elif kind == ASYNC_CLEAR and self._habits.clears:
                    message = b""
                    self._say(connection, ASYNC_CLEAR_ACKNOWLEDGE, 0)
                elif kind == CLEAR_COMPLETE:
                    self.cleared += 1
                    self._say(connection, CLEAR_ACKNOWLEDGE, 0)
                elif kind in (DATA, DATA_END):
                    self.sizes.append(len(payload))
                    message += payload
                    if kind == DATA_END:
                        whole, message = message, b""
                        self._reply(connection, whole, parameter)

    def _reply(self, connection: socket.socket, message: bytes, number: int) -> None:
        text = message.decode("latin-1").removesuffix("\n")
        self.heard.append(text)
        reply = self._answer(text)
        if reply is None or self.held:
            return
        if self._habits.stale:
            self._say(connection, DATA_END, number - 2, self._habits.stale)
        if not self._habits.line_end:
            reply = reply.removesuffix(b"\n")
        most = self._habits.piece_bytes
        pieces = [reply[at : at + most] for at in range(0, len(reply), most)] + [b""] * self._habits.bare_end
        for piece in pieces[:-1][: self._habits.pieces]:
            self._say(connection, DATA, number, piece)
        if self._habits.pieces is not None:
            self.drop()
            return
        self._say(connection, DATA_END, number, pieces[-1])

    @staticmethod
    def _say(connection: socket.socket, kind: int, parameter: int, payload: bytes = b"") -> None:
        connection.sendall(HEADER.pack(b"HS", kind, 0, parameter, len(payload)) + payload)

    @staticmethod
    def _read(connection: socket.socket) -> tuple[int, int, bytes]:
        mark, kind, _, parameter, length = HEADER.unpack(_exactly(connection, HEADER.size))
        assert mark == b"HS"
        return kind, parameter, _exactly(connection, length)


def _exactly(connection: socket.socket, count: int) -> bytes:
    found = b""
    while len(found) < count:
        piece = connection.recv(count - len(found))
        if not piece:
            raise EOFError
        found += piece
    return found


def of_panel(panel: Front, talk: Talk) -> Callable[[str], bytes | None]:
    """What the panel answers, on the clock of its talk."""

    def answer(message: str) -> bytes | None:
        while isinstance(reply := talk.ask(panel, message), Wait):
            if reply.until_ns is None:
                return None
            talk.now_ns = max(talk.now_ns, reply.until_ns)
        return reply

    return answer


@contextlib.contextmanager
def peer(answer: Callable[[str], bytes | None], habits: Habits | None = None) -> Iterator[HislipPeer]:
    one = HislipPeer(answer, habits or Habits())
    try:
        yield one
    finally:
        one.close()
