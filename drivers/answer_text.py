"""What comes back on a line that repeats, acknowledges or prompts: the answer cut out of it. Pure."""

from __future__ import annotations

from dataclasses import dataclass


class NoAnswer(Exception):
    """What came is not what a link of this shape sends; says why."""


@dataclass(frozen=True)
class AnswerShape:
    """end: of each line; prompt: after each answer. echo: the message comes back first, as a line of its own."""

    end: bytes = b"\n"
    prompt: bytes = b""
    echo: bool = False

    @property
    def last(self) -> bytes:
        """What the last bytes of an answer are; empty where nothing ends it."""
        return self.prompt or self.end

    def ends(self, answers: bool) -> int:
        """How often `last` comes until all is there. answers: there is more than an echo."""
        return 1 if self.prompt else int(self.echo) + int(answers)

    def answer(self, message: bytes, came: bytes, answers: bool) -> bytes:
        """The answer alone. came: without the final `last`. Raises NoAnswer where the echo is another text."""
        body = came.removesuffix(self.end) if self.prompt and self.end else came
        if not self.echo:
            return body
        echoed, _, rest = body.partition(self.end) if self.end else (body[: len(message)], b"", body[len(message) :])
        if echoed.strip() != message.strip():
            raise NoAnswer(f"{echoed[:40]!r} came back where {message[:40]!r} was sent")
        if not answers and rest.strip():
            raise NoAnswer(f"{rest[:40]!r} came after {message[:40]!r}, where only its echo was expected")
        return rest
