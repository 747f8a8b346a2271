"""Switching a bench off over plain sockets: written, read back, tried again until it holds. Standard library only.

No driver and no VISA library here: they take half a second to load, and what failed in the process that has died may
well be in them.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from sequencer.safety.freeze import Frozen, FrozenProblem, Instrument, Rail, Reading

ANSWER_WITHIN_S = 0.3  # a second connection that is accepted and ignored answers nothing
AGAIN_AFTER_S = 0.1
MOST_REPLY_BYTES = 4096
RAIL_POLL_S = 0.2
CUT_OFF, CUT_OFF_AGAIN_FOR_S = "cut_off", 5.0  # nobody feeds it any more: it drops by its own clock too
FAILURES = (OSError, ValueError)

Note = Callable[[str, str], None]


@dataclass(frozen=True)
class Reached:
    """An instrument with its address looked up while there was time: names may not resolve in an hour of need."""

    instrument: Instrument
    family: int
    address: Any


def reach(one: Instrument) -> Reached:
    """Raises FrozenProblem for an address that can't be one."""
    try:
        family, *_, address = socket.getaddrinfo(one.host, one.port, type=socket.SOCK_STREAM)[0]
    except (OSError, UnicodeError) as error:
        raise FrozenProblem(f"{one.role}: {one.host!r} is no address: {error}") from None
    return Reached(one, family, address)


class Talk:
    """One connection, for `with`; every method raises OSError or ValueError, and the caller begins anew."""

    def __init__(self, reached: Reached) -> None:
        self.one = reached.instrument
        self._socket = socket.socket(reached.family, socket.SOCK_STREAM)
        try:
            self._socket.settimeout(ANSWER_WITHIN_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._socket.connect(reached.address)
        except OSError:
            self._socket.close()
            raise

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()

    def tell(self, *lines: str) -> None:
        if not self.one.gap_s:
            self._socket.sendall("".join(line + self.one.write_end for line in lines).encode("latin-1"))
            return
        for line in lines:
            self._socket.sendall((line + self.one.write_end).encode("latin-1"))
            _rest(self.one.gap_s)

    def ask(self, line: str) -> str:
        self.tell(line)
        end, reply = self.one.read_end.encode("latin-1"), b""
        until_s = _now_s() + ANSWER_WITHIN_S
        while not reply.endswith(end):
            more = self._socket.recv(MOST_REPLY_BYTES)
            if not more:
                raise OSError("the other side ended the connection")
            reply += more
            if len(reply) > MOST_REPLY_BYTES or _now_s() > until_s:
                raise ValueError("no end of line in its reply")
        return reply.decode("latin-1").strip()


@dataclass
class Outcome:
    """off: per role, whether it was read back. rail: last volts and amps seen."""

    off: dict[str, bool] = field(default_factory=dict)
    rail: tuple[float, float] | None = None
    rail_is_down: bool = False

    @property
    def missing(self) -> list[str]:
        """What is not confirmed. A relay that stays in matters no more once the rail is down."""
        on = [role for role, is_off in self.off.items() if not is_off]
        if self.rail_is_down:
            return [role for role in on if role != CUT_OFF]
        return [*on, "rail"]


class SwitchingOff:
    """note: who, what. free: called when an instrument does not answer; whoever may still hold its only connection
    must let go."""

    def __init__(self, frozen: Frozen, note: Note, free: Callable[[], None]) -> None:
        self._frozen, self._note, self._free = frozen, note, free
        self._last_noted: dict[str, str] = {}
        self.outcome = Outcome({one.role: False for one in frozen.instruments})

    def all(self, bench: list[Reached]) -> Outcome:
        """All at once, each in a thread of its own: a dead instrument must not delay the others. Blocks until all
        are off and the rail is down, or until the time to give up."""
        threads = [threading.Thread(target=self._one, args=(reached,), daemon=True) for reached in bench]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return self.outcome

    def _one(self, reached: Reached) -> None:
        role, rail = reached.instrument.role, self._frozen.rail
        for_s = self._frozen.give_up_after_s
        for_s = min(for_s, CUT_OFF_AGAIN_FOR_S) if role == CUT_OFF else for_s
        self.outcome.off[role] = self._tried(reached, role, self._off, for_s)
        if role == "supply" and rail is not None and self.outcome.off[role]:
            self.outcome.rail_is_down = self._tried(reached, "rail", lambda talk: self._down(talk, rail), rail.bleed_s)

    def _tried(self, reached: Reached, who: str, act: Callable[[Talk], None], for_s: float) -> bool:
        """On one connection after the other, until the act holds or time is up."""
        until_s = _now_s() + for_s
        while True:
            try:
                with Talk(reached) as talk:
                    act(talk)
                return True
            except FAILURES as error:
                self._failed(who, error)
            if _now_s() > until_s:
                self._note(who, "given up")
                return False
            _rest(AGAIN_AFTER_S)

    def _failed(self, who: str, error: Exception) -> None:
        text = f"not yet: {error}"
        if self._last_noted.get(who) != text:  # not three hundred times the same
            self._note(who, text)
        self._last_noted[who] = text
        self._free()

    def _off(self, talk: Talk) -> None:
        one = talk.one
        talk.tell(*one.opening, *one.off)
        self._note(one.role, "written: " + "; ".join(one.off))
        reply = talk.ask(one.off_ask)
        seen = one.off_pattern and re.fullmatch(one.off_pattern, reply, re.IGNORECASE)
        if reply.upper() not in one.off_words and not seen:
            raise ValueError(f"{one.off_ask} reads {reply!r}")
        identity = talk.ask(one.identity_ask)
        if not identity.startswith(one.identity_begins):
            raise ValueError(f"another instrument answers there: {identity[:60]!r}")
        self._note(one.role, f"reads back {reply}")

    def _down(self, talk: Talk, rail: Rail) -> None:
        """Raises TimeoutError if it is not down in time."""
        until_s = _now_s() + rail.bleed_s
        while True:
            volts, amps = self.outcome.rail = _volts_and_amps(talk, rail)
            if abs(volts) < rail.safe_v and abs(amps) < rail.safe_a:
                break
            if _now_s() > until_s:
                raise TimeoutError(f"not down: {volts:.2f} V, {amps:.3f} A")
            _rest(RAIL_POLL_S)
        self._note("rail", f"down: {volts:.2f} V, {amps:.3f} A")


def _volts_and_amps(talk: Talk, rail: Rail) -> tuple[float, float]:
    found: dict[str, float] = {}
    for one in rail.readings:
        found |= _values(one, talk.ask(one.ask))
    return found["volts"], found["amps"]


def _values(one: Reading, reply: str) -> dict[str, float]:
    text = reply[len(one.label) :] if one.label and reply.startswith(one.label) else reply
    parts = text.split(",")
    if one.units:  # another unit, a multiplier too, is no number: then it is asked again, and never taken for less
        parts = [_without(part.strip(), unit) for part, unit in zip(parts, one.units, strict=True)]
    return dict(zip(one.gives, (float(part) for part in parts), strict=True))


def _without(text: str, unit: str) -> str:
    if not text.upper().endswith(unit.upper()):
        raise ValueError(f"{text[:60]!r} is not in {unit}")
    return text[: -len(unit)]


def _now_s() -> float:
    return time.monotonic()  # noqa: TID251 (the guardian lives on the real clock)


def _rest(seconds: float) -> None:
    time.sleep(seconds)  # noqa: TID251 (as above)
