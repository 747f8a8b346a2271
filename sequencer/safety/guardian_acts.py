"""Switching a bench off over plain sockets: written, read back, tried again until it holds. Standard library only.

No driver and no VISA library here: they take half a second to load, and what failed in the process that has died may
well be in them.
"""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from sequencer.safety.freeze import Frozen, Instrument, Reading

ANSWER_WITHIN_S = 0.3  # a second connection that is accepted and ignored answers nothing
AGAIN_AFTER_S = 0.05
MOST_REPLY_BYTES = 4096
RAIL_POLL_S = 0.2
CONNECTION = (OSError, ValueError)

Note = Callable[[str, str], None]


class Talk:
    """One connection; every method raises OSError or ValueError, and the caller begins anew."""

    def __init__(self, one: Instrument) -> None:
        self._one = one
        self._socket = socket.create_connection((one.host, one.port), ANSWER_WITHIN_S)
        self._socket.settimeout(ANSWER_WITHIN_S)
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def tell(self, *lines: str) -> None:
        self._socket.sendall("".join(line + self._one.write_end for line in lines).encode("latin-1"))

    def ask(self, line: str) -> str:
        self.tell(line)
        end, reply = self._one.read_end.encode("latin-1"), b""
        while not reply.endswith(end):
            more = self._socket.recv(MOST_REPLY_BYTES)
            if not more:
                raise OSError("the other side ended the connection")
            reply += more
            if len(reply) > MOST_REPLY_BYTES:
                raise ValueError("no end of line")
        return reply.decode("latin-1").strip()

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self._socket.close()


@dataclass
class Outcome:
    """off: per role, the reply that says so, None while it was not read. rail: last volts and amps seen."""

    off: dict[str, str | None] = field(default_factory=dict)
    rail: tuple[float, float] | None = None
    rail_is_down: bool = False

    @property
    def confirmed(self) -> bool:
        return self.rail_is_down and all(self.off.values())


def switch_off(frozen: Frozen, note: Note) -> Outcome:
    """All instruments at once, each in a thread of its own: a dead one must not delay the others. Blocks until all
    are off and the rail is down, or until the time to give up."""
    outcome = Outcome({one.role: None for one in frozen.instruments})
    until_s = time.monotonic() + frozen.give_up_after_s  # noqa: TID251 (the guardian lives on the real clock)
    threads = [
        threading.Thread(target=_until_off, args=(one, outcome, until_s, note), daemon=True)
        for one in frozen.instruments
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if outcome.off[frozen.supply.role]:
        _until_down(frozen, outcome, note)
    return outcome


def _until_off(one: Instrument, outcome: Outcome, until_s: float, note: Note) -> None:
    while True:
        try:
            outcome.off[one.role] = _off_once(one, note)
            return
        except CONNECTION as error:
            note(one.role, f"not yet: {error}")
        if time.monotonic() > until_s:  # noqa: TID251 (as above)
            note(one.role, "given up")
            return
        time.sleep(AGAIN_AFTER_S)  # noqa: TID251 (as above)


def _off_once(one: Instrument, note: Note) -> str:
    talk = Talk(one)
    try:
        talk.tell(*one.off)
        note(one.role, "written: " + "; ".join(one.off))
        reply = talk.ask(one.off_ask)
        if reply.upper() not in one.off_words:
            raise ValueError(f"{one.off_ask} reads {reply!r}")
        note(one.role, f"reads back {reply}")
        return reply
    finally:
        talk.close()


def _until_down(frozen: Frozen, outcome: Outcome, note: Note) -> None:
    rail, until_s = frozen.rail, time.monotonic() + frozen.rail.bleed_s  # noqa: TID251 (as above)
    while not outcome.rail_is_down:
        try:
            volts, amps = outcome.rail = _read_rail(frozen)
            outcome.rail_is_down = abs(volts) < rail.safe_v and abs(amps) < rail.safe_a
        except CONNECTION as error:
            note("rail", f"not read: {error}")
        if outcome.rail_is_down or time.monotonic() > until_s:  # noqa: TID251 (as above)
            break
        time.sleep(RAIL_POLL_S)  # noqa: TID251 (as above)
    seen = f"{outcome.rail[0]:.2f} V, {outcome.rail[1]:.3f} A" if outcome.rail else "not seen"
    note("rail", f"{'down' if outcome.rail_is_down else 'NOT DOWN'}: {seen}")


def _read_rail(frozen: Frozen) -> tuple[float, float]:
    talk, found = Talk(frozen.supply), dict[str, float]()
    try:
        for one in frozen.rail.readings:
            found |= _values(one, talk.ask(one.ask))
    finally:
        talk.close()
    if not {"volts", "amps"} <= found.keys():
        raise ValueError("the meter's questions don't give volts and amps")
    return found["volts"], found["amps"]


def _values(one: Reading, reply: str) -> dict[str, float]:
    text = reply[len(one.label) :] if one.label and reply.startswith(one.label) else reply
    return dict(zip(one.gives, (float(part) for part in text.split(",")), strict=True))
