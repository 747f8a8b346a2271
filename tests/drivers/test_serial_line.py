"""A serial instrument at the other end of a pseudo-terminal (pty(7)): echo, gaps, nothing that ends a reply, settings
of the line. The forms are those of small serial boards and supplies (common practice, no source); the bytes are ours.
"""

from __future__ import annotations

import os
import select
import termios
import threading
import time
import tty
from collections.abc import Awaitable, Callable, Iterator
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.bus_session import SerialLine
from drivers.errors import GarbledReply, LinkTimeout
from drivers.link import LinkModel
from drivers.speaker import Greeting, asked
from sequencer.clock import run_real

NO_GREETING = Greeting(identity_ask="", clear="", error_ask="")
MS = 1_000_000


class Board:
    """reply: what it writes on the bytes it has read. heard: (ns, bytes) of each read."""

    def __init__(self, reply: Callable[[bytes], bytes]) -> None:
        self.near, self.far = os.openpty()
        tty.setraw(self.far)
        self.path = os.ttyname(self.far)
        self.heard: list[tuple[int, bytes]] = []
        self._reply, self._over = reply, threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def say(self, data: bytes) -> None:
        os.write(self.near, data)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        os.close(self.near)
        os.close(self.far)

    def _serve(self) -> None:
        while not self._over.is_set():
            if select.select([self.near], [], [], 0.01)[0]:
                data = os.read(self.near, 1000)
                self.heard.append((time.monotonic_ns(), data))
                self.say(self._reply(data))


@contextmanager
def board(reply: Callable[[bytes], bytes]) -> Iterator[Board]:
    one = Board(reply)
    try:
        yield one
    finally:
        one.close()


def talk(one: Board, body: Callable[[Actor], Awaitable[None]], **model: Any) -> None:
    async def main(clock: Any) -> None:
        actor = Actor(LinkModel("x", f"ASRL{one.path}::INSTR", **model), NO_GREETING, clock)
        try:
            await body(actor)
        finally:
            await actor.close()

    threads = threading.active_count()
    run_real(main)
    assert threading.active_count() == threads


def test_echo_prompt_and_acknowledgement_on_a_serial_line() -> None:
    answers = {b"relay on 3\r": b"relay on 3\r\nok\r\n> ", b"temp 2\r": b"temp 2\r\n235\r\n> "}

    async def body(actor: Actor) -> None:
        await actor.tell("relay on 3")
        assert await actor.ask("temp 2") == "235"

    with board(answers.__getitem__) as one:
        talk(one, body, message_end=b"\r", reply_end=b"\r\n", prompt=b"> ", echo=True, acknowledge="ok")
    assert [data for _, data in one.heard] == list(answers)


def test_nothing_ends_a_reply_by_count_and_by_silence() -> None:
    """VOUT1? -> 13.80: five bytes and no line end; one raw byte of state; an identity until nothing more comes."""
    answers = {b"VOUT1?": b"13.80", b"STATUS?": b"\x91", b"*IDN?": b"EXAMPLE PS V2"}

    async def body(actor: Actor) -> None:
        assert await actor.ask(asked("VOUT1?", reply_bytes=5)) == "13.80"
        assert await actor.ask(asked("STATUS?", reply_bytes=1, raw=True)) == "\x91"
        assert await actor.ask("*IDN?") == "EXAMPLE PS V2"
        with pytest.raises(GarbledReply):  # a byte too many must not become the next reply
            await actor.ask(asked("VOUT1?", reply_bytes=4))
        assert await actor.ask(asked("VOUT1?", reply_bytes=5)) == "13.80"  # opened again, nothing left of the old

    with board(answers.__getitem__) as one:
        talk(one, body, message_end=b"", reply_end=b"", silence_s=0.1)


def test_messages_keep_their_gap_on_the_line() -> None:
    """As the far end sees them; only too little time can fail, never a slow machine."""

    async def body(actor: Actor) -> None:
        await actor.tell("ISET1:2.225")
        await actor.tell("VSET1:13.80")
        await actor.tell("OUT1")

    with board(lambda data: b"") as one:
        talk(one, body, message_end=b"", gap_s=0.08)
        until_s = time.monotonic() + 5
        while len(one.heard) < 3 and time.monotonic() < until_s:
            time.sleep(0.005)
    assert [data for _, data in one.heard] == [b"ISET1:2.225", b"VSET1:13.80", b"OUT1"]
    times = [at for at, _ in one.heard]
    assert all(b - a > 40 * MS for a, b in pairwise(times))  # the reader itself may be 10 ms late


def test_silence_is_a_timeout_and_what_lies_there_before_is_dropped() -> None:
    async def body(actor: Actor) -> None:
        assert await actor.ask("V?") == "13.8"
        with pytest.raises(LinkTimeout):
            await actor.ask("dead?", within_s=0.2)

    with board(lambda data: b"13.8\n" if data == b"V?\n" else b"") as one:
        one.say(b"welcome, a banner nobody asked for\n")
        talk(one, body)


@pytest.mark.parametrize(
    ("line", "speed", "two_stop_bits", "xon"),
    [
        (SerialLine(), termios.B9600, False, False),
        (SerialLine(baud=115200, stop_bits=2.0, flow="xon_xoff"), termios.B115200, True, True),
    ],
)
def test_the_line_is_set_as_told(line: SerialLine, speed: int, two_stop_bits: bool, xon: bool) -> None:
    """Read back by termios(3); a pseudo-terminal keeps neither parity nor 7 bits (pty.c of the kernel; from memory)."""
    seen: list[Any] = []

    async def body(actor: Actor) -> None:
        await actor.ask("V?")
        seen.extend(termios.tcgetattr(one.far))

    with board(lambda data: b"1\n") as one:
        talk(one, body, line=line)
    iflag, _, cflag, _, ispeed, ospeed, _ = seen
    assert (ispeed, ospeed) == (speed, speed)
    assert bool(cflag & termios.CSTOPB) is two_stop_bits
    assert bool(iflag & termios.IXON) is xon
