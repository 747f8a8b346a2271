"""A recording of links as text: every byte both ways, a line each, which can be read, compared and trusted. Pure.

    nightramp links 1
    5d1f3c0a 12.300000000 supply > VOLT?\\n
    9b07e2d4 12.300200000 supply < 13.80\\n

A line: its check, seconds of the bench's clock, who, a sign, the bytes. Signs: `>` sent, `<` came, `=` what became of
the connection; with a # behind: a length, then base64. Other bytes than printable ones are escaped (\\n, \\r, \\t,
\\\\, \\xNN). The check is the CRC-32 of the rest of the line (the one of zlib and Ethernet, ISO 3309), begun with
the check before it: so a byte that was changed, a line that was taken out and one that was put in are all found.
"""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

FIRST_LINE = "nightramp links 1"
SENT, CAME, EVENT = ">", "<", "="
NOBODY = "-"  # what is said of the night as a whole
SHOWN = 24  # bytes to either side of a difference

_TABLE = {byte: f"\\x{byte:02x}" for byte in range(256) if not 0x20 <= byte < 0x7F}
_TABLE |= {0x0A: "\\n", 0x0D: "\\r", 0x09: "\\t", 0x5C: "\\\\"}
_PLAIN = bytes(range(0x20, 0x7F)) + b"\n\r\t"
_ESCAPE = re.compile(rb"\\(?:([nrt\\])|x([0-9a-f]{2}))|(\\)")
_BACK = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"\\": b"\\"}
_LINE = re.compile(r"([0-9a-f]{8}) ([0-9]+\.[0-9]{9}) ([a-z_-]+) ([><=]#?) (.*)")
_SECRET_IN_ADDRESS = re.compile(r"(?<=::)[^:@/\s]+(?::[^@\s]*)?@")
_SECRET = re.compile(rb"(?i)((?:^|[:;\s])(?:PASS(?:WORD)?|PASSW|PWD|LOGIN)(?::[A-Z]+)*[ \t,=]+)[^;\r\n]+")


class NoTape(Exception):
    """A file that is no recording, or one that was changed; says where and how."""


@dataclass(frozen=True)
class Entry:
    """t_ns: of the bench's clock. who: the instrument's role, or `-`. line: of the file, 0 where it is not from one."""

    t_ns: int
    who: str
    sign: str
    data: bytes
    line: int = 0

    @property
    def at(self) -> str:
        return f"{self.t_ns // 10**9}.{self.t_ns % 10**9:09d}"


def without_secret(address: str) -> str:
    """A resource string without user and password."""
    return _SECRET_IN_ADDRESS.sub("", address)


def masked(sent: bytes) -> bytes:
    """A message without the words that would let somebody in."""
    return _SECRET.sub(rb"\1***", sent) if len(sent) < 1000 else sent


def escaped(data: bytes) -> str:
    """Printable ASCII as it is, all else in escapes; a last blank too, which editors take away."""
    text = data.decode("latin-1").translate(_TABLE)
    return text[:-1] + "\\x20" if text.endswith(" ") else text


def unescaped(text: str) -> bytes:
    """Raises ValueError."""

    def byte(found: re.Match[bytes]) -> bytes:
        if found[3]:
            raise ValueError("a backslash that begins no escape")
        return _BACK[found[1]] if found[1] else bytes([int(found[2], 16)])

    return _ESCAPE.sub(byte, text.encode("ascii"))


def line_of(entry: Entry, check: int) -> tuple[str, int]:
    """The line, without its end, and its check, which the next one begins with. check: of the line before, 0 first."""
    data, sign = entry.data, entry.sign
    if len(data) > 80 and 8 * len(data.translate(None, _PLAIN)) > len(data):
        sign, text = sign + "#", f"{len(data)} {base64.b64encode(data).decode()}"
    else:
        text = escaped(data)
    body = f"{entry.at} {entry.who} {sign} {text}"
    check = zlib.crc32(body.encode(), check)
    return f"{check:08x} {body}", check


def entries(lines: Iterable[str], *, trusted: bool = False) -> Iterator[Entry]:
    """Each line's. trusted: a check that does not fit is no matter, as in a file that was edited on purpose. Raises
    NoTape at the first line that was changed, after those before it."""
    every = iter(lines)
    first = next(every, "").rstrip("\n")
    if first != FIRST_LINE:
        raise NoTape(f"line 1: {first[:40]!r} where {FIRST_LINE!r} should stand: no recording, or of another version")
    check = 0
    for number, line in enumerate(every, 2):
        if not line.endswith("\n"):
            return  # its writer was ended in the middle of it
        entry = _entry(line[:-1], number)
        should = check if entry is None else int(line[:8], 16)
        if not trusted and (entry is None or zlib.crc32(line[9:-1].encode(), check) != should):
            raise NoTape(_changed(line[:-1], number, check))
        if entry is None:
            raise NoTape(f"line {number}: can't be read: {line[:60]!r}")
        check = should
        yield entry


def _entry(line: str, number: int) -> Entry | None:
    found = _LINE.fullmatch(line)
    if found is None:
        return None
    seconds, billionths = found[2].split(".")
    try:
        data = _block(found[5]) if found[4].endswith("#") else unescaped(found[5])
    except ValueError:
        return None
    return Entry(int(seconds) * 10**9 + int(billionths), found[3], found[4][0], data, number)


def _block(text: str) -> bytes:
    length, _, coded = text.partition(" ")
    data = base64.b64decode(coded, validate=True)
    if str(len(data)) != length:
        raise ValueError("another length than said")
    return data


# What was changed


def _changed(line: str, number: int, before: int) -> str:
    where = f"line {number}"
    try:
        body, stands = line[9:].encode("latin-1", "replace"), int(line[:8], 16)
    except ValueError:
        return f"{where}: its check {line[:8]!r} was changed, or it is no line of a recording"
    worked_out = zlib.crc32(body, before)
    if sum(a != b for a, b in zip(f"{worked_out:08x}", line[:8], strict=True)) == 1:
        return f"{where}: its check was changed: expected {worked_out:08x}, came {line[:8]}"
    found = one_byte(body, before, stands)
    if found is None:
        return f"{where}: more than one byte was changed, or lines before it were taken out or put in: {line[9:69]!r}"
    at, was = found
    whole = body[:at] + bytes([was]) + body[at + 1 :]
    told = _entry(f"{stands:08x} {whole.decode('latin-1')}", number)
    if told is not None:
        kind = {SENT: "what was sent", CAME: "what came", EVENT: "what became of the link"}[told.sign]
        where = f"{where}: {told.who} at {told.at} s, {kind}"
    return f"{where}: a byte was changed\n{side_by_side('expected', whole, 'came', body, as_text=True)}"


def one_byte(body: bytes, before: int, check: int) -> tuple[int, int] | None:
    """Place and value of the one byte that must be put back so that `body`, begun with `before`, has this check; None
    where no single byte will do.

    The CRC is linear: what one wrong byte does to it, carried over the bytes behind, is the difference of the two
    checks; so the difference is carried back byte by byte until it is one that a byte can make.
    """
    difference = zlib.crc32(body, before) ^ check
    for place in range(len(body) - 1, -1, -1):
        wrong = _MAKES.get(difference)
        if wrong:
            return place, body[place] ^ wrong
        last = _LAST[difference >> 24]
        difference = ((difference ^ _MADE[last]) << 8 | last) & 0xFFFFFFFF
    return None


# What each byte does to a CRC that was 0, found by asking for it; the top byte names it (it is different for each).
_MADE = [zlib.crc32(bytes([byte]), 0xFFFFFFFF) ^ zlib.crc32(b"\0", 0xFFFFFFFF) for byte in range(256)]
_MADE = [made ^ _MADE[0] for made in _MADE]
_MAKES = {made: byte for byte, made in enumerate(_MADE)}
_LAST = {made >> 24: byte for byte, made in enumerate(_MADE)}


def side_by_side(one: str, first: bytes, other: str, second: bytes, *, as_text: bool = False) -> str:
    """Two pieces from a little before their first difference on, each with its name, and that difference. as_text: of
    a line, where nothing is to be escaped any more."""
    at = next((n for n, (a, b) in enumerate(zip(first, second, strict=False)) if a != b), min(len(first), len(second)))
    width, start = max(len(one), len(other)), max(0, at - SHOWN)
    dots = "..." if start else ""

    def shown(data: bytes) -> str:
        return data.decode("latin-1") if as_text else data.decode("latin-1").translate(_TABLE)

    def byte(data: bytes) -> str:
        return f"'{shown(data[at : at + 1])}'" if at < len(data) else "nothing"

    lines = [
        f"  {name:<{width}} : {dots}{shown(data[start : at + SHOWN])}" + ("..." if len(data) > at + SHOWN else "")
        for name, data in ((one, first), (other, second))
    ]
    blanks = " " * (width + 5 + len(dots) + len(shown(first[start:at])))
    return "\n".join([*lines, f"{blanks}^ byte {at + 1}: {byte(first)} {one}, {byte(second)} {other}"])
