"""What a link reads and refuses to read. Block format: IEEE 488.2 clause 8.7.9 (from memory): '#', digit, count,
payload.
"""

from __future__ import annotations

import socket
from typing import Any

import pytest

from drivers.errors import GarbledReply, LinkClosed, LinkRefused
from drivers.link import Link, LinkModel
from sequencer.clock import VirtualClock, run_real, run_virtual
from tests.wire.bench_of_one import GREETED_NS, MS, one_instrument


def test_socket_options_are_really_set() -> None:
    """Names and meaning after tcp(7) and socket(7): an option reads back non-zero when on, or as its number."""

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            option = bench.actor.link.socket_option
            assert option(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
            assert option(socket.SOL_SOCKET, socket.SO_KEEPALIVE) != 0
            assert option(socket.IPPROTO_TCP, socket.TCP_KEEPIDLE) == 10
            assert option(socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT) == 25_000
        with pytest.raises(LinkClosed):
            bench.actor.link.socket_option(socket.IPPROTO_TCP, socket.TCP_NODELAY)

    run_virtual(main)


@pytest.mark.parametrize("count", [0, 1, 255, 256, 4096, 200_000])
def test_a_block_comes_whole_though_it_is_full_of_line_ends(count: int) -> None:
    """The panel's payload is 0, 1, ... 255, 0, 1, ...: it holds 0x0A every 256 bytes."""

    async def main(clock: VirtualClock) -> bytes:
        async with one_instrument(clock) as bench:
            await bench.actor.open()
            payload = await bench.actor.ask_block(f"BLOCK {count}?", most_bytes=200_000)
            assert await bench.actor.ask("ASK 1?") == "1"
            assert bench.actor.openings == 1
            return payload

    assert run_virtual(main) == bytes(i % 256 for i in range(count))


BROKEN_BLOCKS = {
    "no block": b"1.0\n",
    "indefinite length": b"#0abc\n",
    "digit count is no digit": b"#xabc\n",
    "count is no number": b"#2a5abc\n",
    "more than expected": b"#41001" + b"x" * 1001 + b"\n",
    "shorter than it says": b"#13ab\n#",
    "longer than it says": b"#13abcd\n",
    "a second line": b"#13abc\nmore\n",
}


@pytest.mark.parametrize("name", BROKEN_BLOCKS)
def test_a_broken_block_is_garbled_at_once_and_the_link_is_made_anew(name: str) -> None:
    def broken(message: str, reply: bytes) -> bytes:
        return BROKEN_BLOCKS[name] if message.startswith("BLOCK") else reply

    async def main(clock: VirtualClock) -> None:
        async with one_instrument(clock, rewrite=broken) as bench:
            await bench.actor.open()
            with pytest.raises(GarbledReply):
                await bench.actor.ask_block("BLOCK 3?", most_bytes=1000)
            assert clock.now_ns() == GREETED_NS + MS
            assert await bench.actor.ask("ASK 1?") == "1"
            assert bench.actor.openings == 2

    run_virtual(main)


BAD_LINES = {
    "control characters": b"1.0\x00\n",
    "escape": b"\x1b[2J\n",
    "upper control range": b"1.0\x85\n",
    "two lines": b"1\n2\n",
    "too long": b"9" * 65_537 + b"\n",
}


@pytest.mark.parametrize("name", BAD_LINES)
def test_a_line_that_is_no_reply_is_garbled_at_once(name: str) -> None:
    async def main(clock: VirtualClock) -> None:
        async with one_instrument(
            clock, rewrite=lambda message, reply: BAD_LINES[name] if "ASK" in message else reply
        ) as bench:
            await bench.actor.open()
            with pytest.raises(GarbledReply):
                await bench.actor.ask("ASK 1?")
            assert clock.now_ns() == GREETED_NS + MS
            assert await bench.actor.ask("LEV?") == "0"

    run_virtual(main)


@pytest.mark.parametrize(
    ("sent", "read"),
    [(b"1.0\r\n", "1.0"), (b"\xb5V \xb0C\n", "µV °C"), (b"\n", ""), (b"9" * 65_536 + b"\n", "9" * 65_536)],
)
def test_good_lines(sent: bytes, read: str) -> None:
    """0xB5 is the micro sign and 0xB0 the degree sign in ISO 8859-1."""

    async def main(clock: VirtualClock) -> str:
        async with one_instrument(clock, rewrite=lambda message, reply: sent if "ASK" in message else reply) as bench:
            return await bench.actor.ask("ASK 1?")

    assert run_virtual(main) == read


def test_line_ends_of_two_bytes() -> None:
    async def main(clock: VirtualClock) -> str:
        async with one_instrument(
            clock,
            rewrite=lambda message, reply: reply[:-1] + b"\r\n",
            reply_end=b"\r\n",
            message_end=b"\r\n",
        ) as bench:
            return await bench.actor.ask("ASK 12?")

    assert run_virtual(main) == "12"


@pytest.mark.parametrize("address", ["TCPIP::127.0.0.1::9::SOCKET", "nonsense", ""])
def test_no_connection_is_refused_by_name(address: str) -> None:
    """Port 9 (discard, RFC 863) is not served on a test machine."""

    async def main(clock: Any) -> None:
        link = Link(LinkModel("nobody", address, open_within_s=0.5), clock)
        with pytest.raises(LinkRefused, match="nobody"):
            await link.open()
        await link.break_off()
        assert not link.is_open

    run_virtual(main)
    run_real(main)
