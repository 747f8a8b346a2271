"""A link that speaks a transcript, and one that behaves as the generator's manual page says.

A transcript is written in the spelling of the manual pages (`SOURce1:VOLTage 0.5`); what a role sends is held
against it by the rule of SCPI-1999 vol. 1, 6.2.1: each mnemonic in its exact short or exact long form, case
ignored, leading colon optional. So no string of a dialect file is repeated here.
"""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator, Hashable
from dataclasses import dataclass, field

from drivers.errors import LinkClosed


class CountedClock:
    """Virtual time that moves when somebody rests."""

    virtual = True

    def __init__(self) -> None:
        self._now_ns = 0

    def now_ns(self) -> int:
        return self._now_ns

    async def sleep(self, seconds: float) -> None:
        assert seconds >= 0
        self._now_ns += round(seconds * 1e9)

    async def sleep_until_ns(self, when_ns: int) -> None:
        self._now_ns = max(self._now_ns, when_ns)

    async def turn(self) -> None: ...

    @contextlib.asynccontextmanager
    async def deadline(self, seconds: float) -> AsyncIterator[None]:
        yield

    def begin(self, key: Hashable, *, expects_reply: bool = False) -> None: ...
    def announce(self, key: Hashable, count: int) -> None: ...
    async def taken(self, key: Hashable) -> None: ...
    def end(self, key: Hashable) -> None: ...
    async def gone(self, key: Hashable) -> None: ...


def _is_word(sent: str, printed: str) -> bool:
    """Exact short form (the capitals) or exact long form."""
    short = "".join(c for c in printed if not c.islower())
    return sent.upper() in (short.upper(), printed.upper())


def _is_value(sent: str, printed: str) -> bool:
    """Values as numbers where both are numbers, else as words."""
    try:
        return float(sent) == float(printed)
    except ValueError:
        return _is_word(sent, printed)


def is_command(sent: str, printed: str) -> bool:
    """True if `sent` is the command the manual prints as `printed`."""
    sent_head, _, sent_rest = sent.partition(" ")
    head, _, rest = printed.partition(" ")
    sent_nodes, nodes = sent_head.lstrip(":").split(":"), head.lstrip(":").split(":")
    if len(sent_nodes) != len(nodes) or not all(map(_is_word, sent_nodes, nodes)):
        return False
    sent_values, values = sent_rest.split(","), rest.split(",")
    return len(sent_values) == len(values) and all(map(_is_value, sent_values, values))


@dataclass
class Scripted:
    """A Speaker fed with a transcript: `> message`, `< reply`, `<block` (the next of `blocks`), `# remark`.

    `reopened` in place of a message: the link is reopened before the next one.
    """

    transcript: str
    blocks: list[bytes] = field(default_factory=list)
    name: str = "instrument"
    openings: int = 1
    clock: CountedClock = field(default_factory=CountedClock)
    told: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        lines = [line.strip() for line in self.transcript.splitlines()]
        self._lines = [line for line in lines if line and not line.startswith("#")]

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        for message in messages:
            assert "?" not in message, f"told, but it asks: {message}"
            self._take(message)

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        assert message.split(" ")[0].endswith("?"), f"asked, but it is no question: {message}"
        self._take(message)
        reply = self._next()
        assert reply.startswith("< "), f"{message}: the transcript has no reply but {reply!r}"
        return reply[2:]

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        self._take(message)
        assert self._next() == "<block"
        block = self.blocks.pop(0)
        assert len(block) <= most_bytes
        return block

    def done(self) -> None:
        """Every line of the transcript was used."""
        assert not self._lines, f"not said: {self._lines}"

    def _next(self) -> str:
        assert self._lines, "the transcript is at its end"
        return self._lines.pop(0)

    def _take(self, message: str) -> None:
        while (line := self._next()) == "reopened":
            self.openings += 1
        assert line.startswith("> "), f"sent {message!r}, the transcript has {line!r}"
        assert is_command(message, line[2:]), f"sent {message!r}, the transcript has {line!r}"
        self.told.append(message)


class GeneratorByTheManual:
    """A Speaker that keeps settings as the page of generator-a says, enough for requests in any order.

    read_factor: what the level reads back multiplied by. reopen_at: message numbers before which the instrument
    restarts, losing its settings, and the link is reopened before the next request.
    """

    name = "generator"

    def __init__(self, read_factor: float = 1.0, reopen_at: frozenset[int] = frozenset()) -> None:
        self.clock = CountedClock()
        self.openings = 1
        self.told: list[str] = []
        self.levels: list[float] = []
        self.bursts_s: list[float] = []
        self.fired = 0
        self.tone_levels: list[float] = []  # a tone that nobody asked for: output on while burst is off
        self._read_factor = read_factor
        self._reopen_at = reopen_at
        self._count = 0
        self._errors: list[str] = []
        self._power_on()

    def _power_on(self) -> None:
        self._set = {
            "FUNC": "SIN", "FREQ": "1000", "UNIT": "VPP", "VOLT": "0.1", "OFFS": "0", "LOAD": "50",
            "MODE": "TRIG", "NCYC": "1", "PHAS": "0", "STAT": "0", "SOUR": "IMM", "OUTP": "0",
        }  # fmt: skip

    async def tell(self, *messages: str, urgent: bool = False, within_s: float | None = None) -> None:
        for n, message in enumerate(messages):
            self._arrives(within_tell=n > 0)
            self.told.append(message)
            if message == "*TRG":
                self._trigger()
            else:
                self._store(*message.split(" "))

    async def ask(self, message: str, *, urgent: bool = False, within_s: float | None = None) -> str:
        self._arrives()
        if message.upper().startswith("SYST:ERR"):
            return self._errors.pop(0) if self._errors else '0,"No error"'
        key = self._key(message.rstrip("?"))
        value = self._set[key]
        if key == "LOAD" and value == "INF":
            return "9.9E+37"
        if key == "VOLT":
            return f"{float(value) * self._read_factor:+.7E}"
        return value

    async def ask_block(self, message: str, *, most_bytes: int, within_s: float | None = None) -> bytes:
        raise AssertionError("a generator has no block")

    def _arrives(self, within_tell: bool = False) -> None:
        """A restart ends the connection: what was to follow in the same go is lost with it."""
        restarted = self._count in self._reopen_at
        self._count += 1
        if restarted:
            self._power_on()
            self.openings += 1
        if restarted and within_tell:
            raise LinkClosed(self.name, "it ended the connection")

    @staticmethod
    def _key(header: str) -> str:
        key = header.split(":")[-1].upper()
        return {"OUTP1": "OUTP", "OUTP": "OUTP"}.get(key, key)

    def _store(self, header: str, value: str) -> None:
        key = self._key(header)
        self._set[key] = {"ON": "1", "OFF": "0"}.get(value, value)
        if key == "VOLT":
            self.levels.append(float(value))
        if self._set["OUTP"] == "1" and self._set["STAT"] == "0":
            self.tone_levels.append(float(self._set["VOLT"]))

    def _trigger(self) -> None:
        if (self._set["OUTP"], self._set["STAT"], self._set["SOUR"]) != ("1", "1", "BUS"):
            self._errors.append('-211,"Trigger ignored"')
            return
        self.fired += 1
        self.bursts_s.append(float(self._set["NCYC"]) / float(self._set["FREQ"]))
