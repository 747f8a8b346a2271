"""Links that repeat, acknowledge, prompt, end nothing, or want a rest: against a listener that does just that.

The forms are those of small serial boards behind a terminal server (common practice, no source); the bytes are ours.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from drivers.actor import Actor
from drivers.answer_text import AnswerShape, NoAnswer
from drivers.errors import GarbledReply
from drivers.link import LinkModel
from drivers.speaker import Greeting, Line, asked, told
from sequencer.clock import run_real

NO_GREETING = Greeting(identity_ask="", clear="", error_ask="")


@pytest.mark.parametrize(
    ("shape", "came", "answers", "answer"),
    [
        (AnswerShape(), b"13.8", True, b"13.8"),
        (AnswerShape(b"\r\n", b"> "), b"13.8\r\n", True, b"13.8"),
        (AnswerShape(b"\r\n", b"> ", True), b"V?\r\n13.8\r\n", True, b"13.8"),
        (AnswerShape(b"\r", b"", True), b"V?\r13.8", True, b"13.8"),
        (AnswerShape(b"\r", b"", True), b"V?", False, b""),
        (AnswerShape(b"", b"", True), b"V?13.8", True, b"13.8"),
    ],
)
def test_the_answer_is_cut_out(shape: AnswerShape, came: bytes, answers: bool, answer: bytes) -> None:
    assert shape.answer(b"V?", came, answers) == answer


@pytest.mark.parametrize(("came", "answers"), [(b"I?\r13.8", True), (b"13.8", True), (b"V?\r13.8", False)])
def test_an_echo_of_something_else_is_no_answer(came: bytes, answers: bool) -> None:
    with pytest.raises(NoAnswer):
        AnswerShape(b"\r", b"", True).answer(b"V?", came, answers)


def joined(reply: Callable[[bytes], bytes], body: Callable[[Actor], Awaitable[None]], **model: Any) -> list[bytes]:
    """Runs `body` with an actor on a listener that answers each chunk it reads; returns what it read."""
    read: list[bytes] = []

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        while data := await reader.read(1000):
            read.append(data)
            writer.write(reply(data))
        writer.close()

    async def main(clock: Any) -> None:
        server = await asyncio.start_server(serve, "127.0.0.1", 0)
        port = server.sockets[0].getsockname()[1]
        actor = Actor(LinkModel("x", f"TCPIP::127.0.0.1::{port}::SOCKET", **model), NO_GREETING, clock)
        try:
            await body(actor)
        finally:
            await actor.close()
            server.close()

    run_real(main)
    return read


def test_echo_acknowledgement_and_prompt() -> None:
    answers = {b"relay on 3\r": b"relay on 3\r\nok\r\n> ", b"temp 2\r": b"temp 2\r\n235\r\n> "}

    async def body(actor: Actor) -> None:
        await actor.tell("relay on 3")
        assert await actor.ask("temp 2") == "235"

    model = {"message_end": b"\r", "reply_end": b"\r\n", "prompt": b"> ", "echo": True, "acknowledge": "ok"}
    assert joined(lambda data: answers[data], body, **model) == list(answers)


def test_what_is_not_acknowledged_is_an_error() -> None:
    async def body(actor: Actor) -> None:
        with pytest.raises(GarbledReply, match="not acknowledged by 'ok'"):
            await actor.tell("R3")

    joined(lambda data: b"err\n", body, acknowledge="ok")


def test_only_an_echo_comes_back_on_what_is_told() -> None:
    async def body(actor: Actor) -> None:
        await actor.tell("R3", "R4")
        assert await actor.ask("T") == "7"

    read = joined(lambda d: d + b"7\n" if d == b"T\n" else d, body, echo=True, acknowledge="")
    assert read == [b"R3\n", b"R4\n", b"T\n"]


def test_replies_that_nothing_ends_by_count_and_by_silence() -> None:
    """Five bytes by count; one raw byte that is no text; an identity of unknown length by silence."""
    answers = {b"VOUT?": b"13.80", b"STATUS?": b"\x91", b"*IDN?": b"EXAMPLE PS"}

    async def body(actor: Actor) -> None:
        assert await actor.ask(asked("VOUT?", reply_bytes=5)) == "13.80"
        assert await actor.ask(asked("STATUS?", reply_bytes=1, raw=True)) == "\x91"
        assert await actor.ask("*IDN?") == "EXAMPLE PS"
        with pytest.raises(GarbledReply):  # a late sixth byte must not become the next reply
            await actor.ask(asked("VOUT?", reply_bytes=4))

    joined(lambda data: answers[data], body, message_end=b"", reply_end=b"", silence_s=0.05)


def test_rests_and_the_channel_selected_first() -> None:
    """On a clock that counts its sleeps: 50 ms lie between messages, 200 ms after the one that says so; the channel is
    named before each question, in the same exchange."""
    slept: list[float] = []

    class Counting:
        def __init__(self, clock: Any) -> None:
            self._clock = clock

        def __getattr__(self, name: str) -> Any:
            return getattr(self._clock, name)

        async def sleep(self, seconds: float) -> None:
            slept.append(seconds)

        async def sleep_until_ns(self, when_ns: int) -> None:
            slept.append(round((when_ns - self._clock.now_ns()) * 1e-9, 2))

    async def body(actor: Actor) -> None:
        actor._clock = Counting(actor._clock)
        await actor.tell(*told(["A", "B"], ("INST 1",), 0.2))
        assert await actor.ask(asked("C?", ("INST 1",))) == "1"

    read = b"".join(joined(lambda d: b"1\n" if b"?" in d else b"", body, gap_s=0.05))
    assert read == b"INST 1\nA\nB\nINST 1\nC?\n"
    assert slept == [pytest.approx(0.05, abs=0.03), 0.2] * 2 + [pytest.approx(0.05, abs=0.03)] * 2


def test_a_codec_stands_between() -> None:
    """Words reversed both ways by the listener's own rule; what it can't do is no reply, and nothing is sent."""

    class Reversed:
        def encode(self, message: str) -> bytes:
            if message == "never":
                raise ValueError("no such command")
            return message.encode()[::-1] + b"!"

        def decode(self, message: str, reply: bytes) -> str:
            return reply.decode()[::-1]

    async def body(actor: Actor) -> None:
        assert await actor.ask("VOUT") == "13.8"
        with pytest.raises(GarbledReply, match="not sent: its codec can't encode 'never'"):
            await actor.tell("never")

    assert joined(lambda data: b"8.31\n", body, codec=Reversed()) == [b"TUOV!"]


@pytest.mark.parametrize(
    ("came", "ended"),
    [(b"DATA #15hello\n", True), (b"DATA #15hello", False), (b"CURVE #15hello\n", None), (b"DATA #15hellox", None)],
)
def test_a_block_with_a_prefix_and_with_or_without_an_end(came: bytes, ended: bool | None) -> None:
    """IEEE 488.2, 8.7.9: `#`, one digit, so many digits of count, the bytes. What stands around it must be as told."""
    question = Line("D?")
    question.block_prefix, question.block_ended = "DATA ", ended is not False

    async def body(actor: Actor) -> None:
        if ended is None:
            with pytest.raises(GarbledReply):
                await actor.ask_block(question, most_bytes=100)
        else:
            assert await actor.ask_block(question, most_bytes=100) == b"hello"

    joined(lambda data: came, body)


def test_a_line_is_a_text() -> None:
    line = asked("C?", ("INST 1",), 3)
    assert (line, isinstance(line, Line), line.encode()) == ("C?", True, b"C?")
    assert not isinstance(asked("C?"), Line)
