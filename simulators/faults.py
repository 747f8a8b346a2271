"""Faults of a simulated instrument's link, declared beforehand: what goes wrong, when, and for how long."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

Kind = Literal[
    "silent",
    "half",
    "late",
    "dribble",
    "garbage",
    "surplus",
    "closed",
    "reset",
    "refused",
    "frozen",
    "babble",
    "restart",
]

# These replace or reshape a reply, so only messages that have one count for them; the others count every
# message.
REPLY_KINDS = frozenset({"silent", "half", "late", "dribble", "garbage", "surplus", "babble"})
# These can also strike between messages, at their own time.
LINK_KINDS = frozenset({"closed", "reset", "refused", "restart", "frozen"})

BABBLE_EVERY_S = 0.0002
BABBLE_CHUNK = b"?" * 512


@dataclass(frozen=True)
class LinkFault:
    """One fault.

    at_message: strikes at the nth message (from 1) that begins with `begins`; for kinds that shape a reply
    only messages
      with a reply count.
    at_s: strikes at the first such message at or after this time; kinds that concern the link as a whole
    strike at that
      very time, message or not.
    probability: strikes any such message with this chance, drawn from (seed, instrument, message, time), so
    that other
      messages do not shift it.
    times: how often at most (at_message: from the nth on; None: for ever).
    for_s: late, frozen: the delay; refused, babble: how long; dribble: the gap between bytes; surplus: how
    long after
      the reply (0: in the same chunk).
    data: what garbage and surplus send, without line end.
    """

    kind: Kind
    at_message: int | None = None
    at_s: float | None = None
    probability: float = 0.0
    begins: str = ""
    times: int | None = 1
    for_s: float = 0.0
    data: bytes = b"\x00\x1b\xff~"

    @property
    def strikes_by_itself(self) -> bool:
        return self.at_s is not None and self.kind in LINK_KINDS


@dataclass(frozen=True)
class LinkFaults:
    """All faults of one instrument.

    rewrite: (message, whole reply) -> whole reply, a man in the middle. on_restart: called when a restart fault
    strikes; it should put the panel back to its power-on state.
    """

    faults: tuple[LinkFault, ...] = ()
    seed: int = 0
    rewrite: Callable[[str, bytes], bytes] | None = None
    on_restart: Callable[[], None] | None = None


@dataclass(frozen=True)
class Occasion:
    """A message as the faults see it."""

    instrument: str
    message: str
    now_ns: int
    has_reply: bool


class FaultWatch:
    """Counts messages and says which fault, if any, strikes now: the first declared of those that could."""

    def __init__(self, faults: LinkFaults) -> None:
        self._faults = faults
        self._seen = [0] * len(faults.faults)
        self._struck = [0] * len(faults.faults)

    def before(self, occasion: Occasion) -> LinkFault | None:
        """Faults of the link, decided before the message is executed."""
        return self._pick(occasion, lambda fault: fault.kind not in REPLY_KINDS and not fault.strikes_by_itself)

    def after(self, occasion: Occasion) -> LinkFault | None:
        """Faults of the reply, decided when there is one."""
        return self._pick(occasion, lambda fault: fault.kind in REPLY_KINDS) if occasion.has_reply else None

    def _pick(self, occasion: Occasion, concerns: Callable[[LinkFault], bool]) -> LinkFault | None:
        chosen = None
        for i, fault in enumerate(self._faults.faults):
            if not concerns(fault) or not occasion.message.startswith(fault.begins):
                continue
            self._seen[i] += 1
            if chosen is None and self._left(i) and self._due(i, fault, occasion):
                self._struck[i] += 1
                chosen = fault
        return chosen

    def _left(self, i: int) -> bool:
        times = self._faults.faults[i].times
        return times is None or self._struck[i] < times

    def _due(self, i: int, fault: LinkFault, occasion: Occasion) -> bool:
        if fault.at_message is not None:
            return self._seen[i] >= fault.at_message
        if fault.at_s is not None:
            return occasion.now_ns >= round(fault.at_s * 1e9)
        return _chance(self._faults.seed, i, occasion) < fault.probability


def _chance(seed: int, number: int, occasion: Occasion) -> float:
    key = f"{seed}|{number}|{occasion.instrument}|{occasion.message}|{occasion.now_ns}".encode()
    return int.from_bytes(hashlib.blake2b(key, digest_size=8).digest(), "big") / 2**64


@dataclass(frozen=True)
class Chunk:
    """Bytes to send `after_ns` the chunk before. completes: with it the client has a whole reply in hand."""

    after_ns: int
    data: bytes
    completes: bool


def shaped(reply: bytes, terminator: bytes, fault: LinkFault | None) -> list[Chunk]:
    """What is really sent instead of `reply` (with its terminator)."""
    delay_ns = round(fault.for_s * 1e9) if fault else 0
    whole = Chunk(0, reply, True)
    match fault.kind if fault else None:
        case "silent":
            return []
        case "half":
            return [Chunk(0, reply[: max(1, (len(reply) - len(terminator)) // 2)], False)]
        case "late":
            return [Chunk(delay_ns, reply, True)]
        case "dribble":
            last = len(reply) - 1
            return [Chunk(delay_ns if i else 0, reply[i : i + 1], i == last) for i in range(len(reply))]
        case "garbage" if fault:
            return [Chunk(0, fault.data + terminator, True)]
        case "surplus" if fault and delay_ns:
            return [whole, Chunk(delay_ns, fault.data + terminator, True)]
        case "surplus" if fault:
            return [Chunk(0, reply + fault.data + terminator, True)]
        case "babble" if fault:
            gap_ns = round(BABBLE_EVERY_S * 1e9)
            return [Chunk(gap_ns, BABBLE_CHUNK, False)] * max(1, delay_ns // gap_ns)
        case _:
            return [whole]
