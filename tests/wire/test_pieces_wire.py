"""A digitiser that tells a long record in several blocks, over real sockets: the samples are those of one block.

The front is that of digitiser-a but for its blocks: at most so many bytes each, and `:WAVeform:NEXT?` for what is left.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import drivers
from drivers.dialect import DialectProblems, dialect_from_text, load_dialect
from drivers.dialect_told import told_lines
from drivers.errors import GarbledReply
from drivers.roles.capture import Capture, RawTrace
from simulators import bench as simulated
from simulators.panels.acquisition import block
from simulators.panels.digitiser_a import DigitiserA
from simulators.panels.tree import Command, Refused
from tests.wire import contract_bench
from tests.wire.contract_bench import CYCLES, FREQUENCY_HZ, LEVEL_VRMS, Joint, joint

SHIPPED = (Path(drivers.__file__).parent / "dialects" / "digitiser-a.toml").read_text(encoding="utf-8")
PIECES = """
[trace.pieces]
next_ask = ":WAV:NEXT?"
samples = [{ blocks = ["23 31 34 00 80 00 90", "23 31 32 00 A0"], codes = [32768, 36864, 40960] }]

[[trace.samples]]"""
OWN = SHIPPED.replace("\n[[trace.samples]]", PIECES)
SHOT = Capture({1: 20.0, 3: 1.0}, 1e6, 25_000, 0.001)


class InPieces(DigitiserA):
    """most_bytes: of one block. empty_after: blocks of a record after which it has nothing to say."""

    most_bytes = 8192
    empty_after = 10**6

    def __init__(self, *about: Any) -> None:
        super().__init__(*about)
        self._left, self._told = b"", 0
        self.tree.add("WAVeform:NEXT", Command(query=lambda _: self._piece()))

    def _data(self) -> bytes:
        whole = super()._data()
        digits = int(whole[1:2])
        self._left, self._told = whole[2 + digits :], 0
        return self._piece()

    def _piece(self) -> bytes:
        if not self._left:
            raise Refused(-221)
        self._told += 1
        most = self.most_bytes if self._told <= self.empty_after else 0
        piece, self._left = self._left[:most], self._left[most:]
        return block(piece)


@pytest.fixture
def in_pieces(monkeypatch: pytest.MonkeyPatch) -> type[InPieces]:
    def of_test(front: str, role: Any) -> Any:
        text = front == "digitiser-a"
        return dialect_from_text(OWN, "mine.dialect.toml", "digitiser") if text else load_dialect(front, role)

    class Own(InPieces):
        """Of this test alone."""

    monkeypatch.setattr(contract_bench, "load_dialect", of_test)
    fronts = simulated.FRONTS | {"digitiser-a": lambda world, serial, spec: Own(world, serial, dict(spec.wiring))}
    monkeypatch.setattr(simulated, "FRONTS", fronts)
    return Own


async def shot(at: Joint) -> dict[int, RawTrace]:
    await at.digitiser.set_capture(SHOT)
    await at.generator.set_burst(LEVEL_VRMS, FREQUENCY_HZ, CYCLES)
    await at.digitiser.arm()
    await at.generator.fire()
    await at.digitiser.wait_complete(1.0)
    return {number: await at.digitiser.fetch(number) for number in SHOT.full_scale_v}


def recorded() -> tuple[dict[int, RawTrace], list[str]]:
    found: list[dict[int, RawTrace]] = []
    asked: list[str] = []

    async def body(at: Joint) -> None:
        await at.energise()
        found.append(await shot(at))
        asked.extend(message for who, message, _ in at.said if who == "digitiser-a" and ":WAV:" in message)
        assert at.errors == []

    joint(body)
    return found[0], asked


@pytest.mark.parametrize(("most_bytes", "blocks"), [(8192, 7), (50_000, 1), (49_998, 2), (7_001, 8)])
def test_the_samples_are_those_of_one_block(most_bytes: int, blocks: int, in_pieces: type[InPieces]) -> None:
    """25,000 samples of two bytes: so many blocks, an odd number of bytes in one too, nothing asked beyond the last.
    The world, its seed and every message before are the same as in one block."""
    in_pieces.most_bytes = 10**6
    whole, _ = recorded()
    in_pieces.most_bytes = most_bytes
    pieces, asked = recorded()
    assert asked.count(":WAV:DATA?") == 2
    assert asked.count(":WAV:NEXT?") == 2 * (blocks - 1)
    assert pieces[1].codes.size == 25_000
    assert np.array_equal(pieces[1].codes, whole[1].codes)
    assert pieces[3].codes.size == whole[3].codes.size


def test_a_record_that_breaks_off_is_no_record(in_pieces: type[InPieces]) -> None:
    in_pieces.empty_after = 3

    async def body(at: Joint) -> None:
        await at.energise()
        with pytest.raises(GarbledReply, match="an empty block came after 24576 of 50000 bytes"):
            await shot(at)

    joint(body)


@pytest.mark.parametrize(
    ("old", "new", "key", "remedy"),
    [
        ('next_ask = ":WAV:NEXT?"', 'next_ask = ":WAV:NEXT"', "trace.pieces.next_ask", "?"),
        ("codes = [32768, 36864", "codes = [32768, 36865", "trace.pieces.samples[0]", "parses to"),
        ("23 31 32 00 A0", "23 31 32 00", "trace.pieces.samples[0]", "a block of 2 bytes by its count has 1"),
        ("23 31 32 00 A0", "#12 0", "trace.pieces.samples[0]", "hexadecimal digits"),
        ("23 31 32 00 A0", "23 31 31 00", "trace.pieces.samples[0]", "no whole number of samples"),
        ('"23 31 34 00 80 00 90", ', "", "trace.pieces.samples[0].blocks", "at least 2"),
    ],
)
def test_the_file_is_checked_by_its_sample(old: str, new: str, key: str, remedy: str) -> None:
    assert OWN.count(old) == 1
    with pytest.raises(DialectProblems) as wrong:
        dialect_from_text(OWN.replace(old, new), "mine.dialect.toml", "digitiser")
    assert key in [problem.key for problem in wrong.value.problems]
    assert remedy in str(wrong.value)


def test_a_person_is_told_what_would_be_asked() -> None:
    told = "\n".join(told_lines(dialect_from_text(OWN, "mine.dialect.toml", "digitiser")))
    assert re.search(r":WAV:DATA\?, then :WAV:NEXT\? until all samples are there", told)
