"""The text of a recording: what goes in comes out, and whatever is changed is found."""

from __future__ import annotations

import re
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.tape import (
    CAME,
    EVENT,
    FIRST_LINE,
    SENT,
    Entry,
    NoTape,
    entries,
    line_of,
    masked,
    one_byte,
    without_secret,
)

TALK = [
    Entry(12_300_000_000, "supply", SENT, b"VOLT?\n"),
    Entry(12_300_200_000, "supply", CAME, b"13.80\r\n"),
    Entry(12_400_000_000, "digitiser", CAME, b"#41000" + bytes(range(250)) * 4 + b"\n"),
    Entry(12_500_000_001, "load_switch", EVENT, b"ended"),
]


def written(*talk: Entry) -> list[str]:
    lines, check = [FIRST_LINE + "\n"], 0
    for entry in talk:
        line, check = line_of(entry, check)
        lines.append(line + "\n")
    return lines


def plain(entry: Entry) -> tuple[int, str, str, bytes]:
    return entry.t_ns, entry.who, entry.sign, entry.data


@given(st.lists(st.tuples(st.integers(0, 10**15), st.sampled_from([SENT, CAME, EVENT]), st.binary(max_size=300))))
def test_what_goes_in_comes_out(said: list[tuple[int, str, bytes]]) -> None:
    talk = [Entry(t_ns, "load_switch", sign, data) for t_ns, sign, data in said]
    lines = written(*talk)
    assert [plain(e) for e in entries(lines)] == [plain(e) for e in talk]
    assert all(re.fullmatch(r"[\x20-\x7e]*[\x21-\x7e]\n|[0-9a-f]{8} \S+ load_switch [><=] \n", line) for line in lines)


def test_it_can_be_read_by_a_person_and_by_other_tools() -> None:
    """A CRC-32 as zlib works it out, begun with the one before: 123456789 gives cbf43926 (the check value that
    catalogues of CRCs give for ISO 3309; from memory)."""
    assert zlib.crc32(b"123456789") == 0xCBF43926
    _, first, second, block, _ = written(*TALK)
    assert first[9:] == "12.300000000 supply > VOLT?\\n\n"
    assert second[9:] == "12.300200000 supply < 13.80\\r\\n\n"
    assert block[9:].startswith("12.400000000 digitiser <# 1007 IzQxMDAw")  # base64 of "#41000" (RFC 4648)
    assert int(first[:8], 16) == zlib.crc32(first[9:-1].encode())
    assert int(second[:8], 16) == zlib.crc32(second[9:-1].encode(), int(first[:8], 16))


def changes() -> list[tuple[int, int]]:
    """Every byte of the short lines, some of the long one."""
    lines = written(*TALK)
    return [(n, at) for n, line in enumerate(lines) for at in range(0, len(line) - 1, 1 if len(line) < 99 else 101)]


def test_each_byte_that_is_changed_is_found_at_its_line() -> None:
    lines = written(*TALK)
    for n, at in changes():
        was = lines[n][at]
        new = "7" if was != "7" else "3"
        changed = [*lines[:n], lines[n][:at] + new + lines[n][at + 1 :], *lines[n + 1 :]]
        with pytest.raises(NoTape) as found:
            list(entries(changed))
        said = str(found.value)
        assert said.startswith(f"line {n + 1}: "), (n, at, said)
        if n and at > 8:  # behind the check: the very byte is told, and what stood there
            assert "a byte was changed" in said, (n, at, said)
            assert f"byte {at - 8}: '{was}' expected, '{new}' came" in said, (n, at, said)


def test_who_and_when_of_a_changed_reply() -> None:
    lines = written(*TALK)
    lines[2] = lines[2].replace("13.80", "13.86")
    with pytest.raises(NoTape) as found:
        list(entries(lines))
    said = str(found.value)
    assert "supply at 12.300200000 s, what came" in said
    assert "'0' expected, '6' came" in said
    assert "13.80\\r\\n" in said
    assert "13.86\\r\\n" in said
    assert [e.data for e in entries(lines, trusted=True)][1] == b"13.86\r\n"  # edited on purpose


@pytest.mark.parametrize("gone", [1, 2, 3])
def test_a_line_taken_out_or_put_in_is_found(gone: int) -> None:
    lines = written(*TALK)
    with pytest.raises(NoTape, match=f"line {gone + 1}: .*taken out or put in"):
        list(entries(lines[:gone] + lines[gone + 1 :]))
    with pytest.raises(NoTape, match=f"line {gone + 2}: "):
        list(entries([*lines[: gone + 1], *lines[gone:]]))


def test_a_line_cut_short_is_the_end_and_another_file_is_none() -> None:
    lines = written(*TALK)
    assert len(list(entries([*lines[:3], lines[3][:100]]))) == 2
    with pytest.raises(NoTape, match="line 1"):
        list(entries(["t_ns,instrument\n"]))


@given(st.binary(min_size=1, max_size=200), st.integers(0, 2**32 - 1), st.data())
def test_the_changed_byte_is_worked_out_from_the_check_alone(body: bytes, before: int, data: st.DataObject) -> None:
    at, wrong = data.draw(st.integers(0, len(body) - 1)), data.draw(st.integers(1, 255))
    check = zlib.crc32(body, before)
    changed = body[:at] + bytes([body[at] ^ wrong]) + body[at + 1 :]
    assert one_byte(changed, before, check) == (at, body[at])


def test_secrets_are_not_written() -> None:
    assert without_secret("TCPIP::mate:s3cret@192.0.2.1::5025::SOCKET") == "TCPIP::192.0.2.1::5025::SOCKET"
    assert without_secret("ASRL/dev/ttyUSB0::INSTR") == "ASRL/dev/ttyUSB0::INSTR"
    assert masked(b"SYST:PASS:CEN 4711;*OPC?\n") == b"SYST:PASS:CEN ***;*OPC?\n"
    assert masked(b"LOGIN mate s3cret\r\n") == b"LOGIN ***\r\n"
    assert masked(b"FILT:HPASS 10\n") == b"FILT:HPASS 10\n"
    assert masked(b"PASS?\n") == b"PASS?\n"
