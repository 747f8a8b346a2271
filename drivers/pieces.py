"""A record that comes in several blocks: the next one is asked for until it is whole. Pure, but for the asking."""

from __future__ import annotations

import struct

from drivers import scpi
from drivers.dialect_model import PiecesSample, Trace
from drivers.errors import GarbledReply
from drivers.speaker import Speaker

_LETTERS = {"u16": "H", "i16": "h", "u8": "B", "i8": "b", "f32": "f"}


async def joined(speaker: Speaker, questions: tuple[str, str | None], size: int) -> bytes:
    """All `size` bytes. questions: for the first block, and for each one after it; None: there is one block alone, of
    whatever length it says. Raises GarbledReply where a block is empty, or holds more than is left.
    """
    first, following = questions
    payload = await speaker.ask_block(first, most_bytes=size)
    while following is not None and len(payload) < size:
        block = await speaker.ask_block(following, most_bytes=size - len(payload))
        payload += _next(block, len(payload), size, speaker.name)
    return payload


def _next(block: bytes, have: int, size: int, instrument: str) -> bytes:
    if not block:
        raise GarbledReply(instrument, f"an empty block came after {have} of {size} bytes")
    if have + len(block) > size:
        raise GarbledReply(instrument, f"{have + len(block)} bytes came in blocks for a record of {size}")
    return block


def sample_codes(table: Trace, sample: PiecesSample, instrument: str) -> tuple[float, ...]:
    """The samples in the blocks that a dialect file shows. Raises GarbledReply."""
    payload = b"".join(_payload(table, text, instrument) for text in sample.blocks)
    letter = _LETTERS[table.element]
    size = struct.calcsize(f"={letter}")
    if len(payload) % size:
        raise GarbledReply(instrument, f"{len(payload)} bytes are no whole number of samples of {size} bytes")
    order = "<" if table.order == "little" else ">"
    return tuple(float(code) for code in struct.unpack(f"{order}{len(payload) // size}{letter}", payload))


def _payload(table: Trace, text: str, instrument: str) -> bytes:
    """Of one block, written as hexadecimal digits from its # on."""
    try:
        block = bytes.fromhex(text)
    except ValueError:
        raise GarbledReply(instrument, f"{text!r}: bytes are written as hexadecimal digits, two each") from None
    header, count = scpi.block_header(block, instrument)
    if len(block) != header + count:
        raise GarbledReply(instrument, f"a block of {count} bytes by its count has {len(block) - header}")
    return block[header:]
