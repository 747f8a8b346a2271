"""Flaws in replies on their way: (message, whole reply) -> reply."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from simulators.faults import LinkFaults

Rewrite = Callable[[str, bytes], bytes]
BLOCK, STEP = ":WAV:DATA?", 16  # 12 bits in a word of 16


def on(question: str, change: Callable[[bytes], bytes]) -> LinkFaults:
    return LinkFaults(rewrite=lambda message, reply: change(reply) if message == question else reply)


def always(question: str, reply: bytes) -> LinkFaults:
    return on(question, lambda _: reply + b"\n")


def bits_exchanged(question: str, one: int, other: int) -> LinkFaults:
    """Two bits of a register, each in the other's place."""

    def change(reply: bytes) -> bytes:
        value = int(reply)
        kept = value & ~(1 << one | 1 << other)
        return b"%d\n" % (kept | ((value >> one & 1) << other) | ((value >> other & 1) << one))

    return on(question, change)


def bits_shifted(question: str, by: int) -> LinkFaults:
    return on(question, lambda reply: b"%d\n" % (int(reply) << by))


def fields(question: str, change: Callable[[list[float]], list[float]]) -> LinkFaults:
    """The numbers of a reply."""

    def rewrite(reply: bytes) -> bytes:
        found = change([float(text) for text in reply.decode().strip().split(",")])
        return (",".join(f"{value:+.7E}" for value in found) + "\n").encode()

    return on(question, rewrite)


def fields_of(begins: str, change: Callable[[list[float]], list[float]]) -> LinkFaults:
    """As `fields`, for every question that begins so."""

    def rewrite(message: str, reply: bytes) -> bytes:
        if not message.startswith(begins):
            return reply
        found = change([float(text) for text in reply.decode().strip().split(",")])
        return (",".join(f"{value:+.7E}" for value in found) + "\n").encode()

    return LinkFaults(rewrite=rewrite)


def frozen_fields(begins: str) -> LinkFaults:
    """The first reply to each question, for ever."""
    first: dict[str, bytes] = {}
    return LinkFaults(rewrite=lambda m, reply: first.setdefault(m, reply) if m.startswith(begins) else reply)


def payload(reply: bytes) -> tuple[bytes, bytes]:
    """Header and bytes of a definite block (IEEE 488.2, 8.7.9)."""
    start = 2 + int(reply[1:2])
    return reply[:start], reply[start:-1]


def block_of(data: bytes) -> bytes:
    count = str(len(data)).encode()
    return b"#%d" % len(count) + count + data + b"\n"


def bytes_swapped() -> LinkFaults:
    return on(BLOCK, lambda reply: block_of(np.frombuffer(payload(reply)[1], "<u2").astype(">u2").tobytes()))


def codes(change: Callable[[Any], Any]) -> LinkFaults:
    """The samples of a block."""
    return on(BLOCK, lambda reply: block_of(change(np.frombuffer(payload(reply)[1], "<u2")).astype("<u2").tobytes()))


def ends_missing() -> LinkFaults:
    """Volts beyond the range stop one step before the end codes."""
    return codes(lambda words: np.clip(words, STEP, 65535 - 2 * STEP + 1))


def bit_stuck(bit: int) -> LinkFaults:
    """Of the converter, 0 the least."""
    return codes(lambda words: words | (STEP << bit))


def last_sample_lost() -> LinkFaults:
    return on(BLOCK, lambda reply: block_of(payload(reply)[1][:-2]))


def count_one_less() -> LinkFaults:
    """The count says one byte less than come."""

    def change(reply: bytes) -> bytes:
        data = payload(reply)[1]
        return block_of(data[:-1])[:-1] + data[-1:] + b"\n"

    return on(BLOCK, change)
