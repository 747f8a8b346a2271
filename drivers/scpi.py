"""Text of SCPI-1999 and IEEE 488.2 turned into values, and back. Pure.

Every function takes the instrument's name for the error it may raise: GarbledReply where the text is not what was
asked for, NotANumber where it is a number nobody may use. Clause numbers are from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass

from drivers.errors import GarbledReply, NotANumber

# SCPI-1999 vol. 1, 7.2.1: +9.9E37 stands for infinity (also overload), -9.9E37 for its negative, 9.91E37 for
# "not a number". They parse as ordinary floats, so the limit lies a little below all of them.
SENTINEL_FROM = 9.8e37

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\Z")
_ERROR = re.compile(r'\s*([+-]?[0-9]+)\s*(?:,\s*(?:"((?:[^"]|"")*)"|\'((?:[^\']|\'\')*)\'|(.*?)))?\s*\Z', re.DOTALL)
_NOTHING = ("INF", "+INF", "-INF", "NINF", "INFINITY", "-INFINITY", "NAN", "OL", "OVLD", "OVERLOAD")
_NAME = re.compile(r"[A-Za-z0-9]+(![A-Za-z0-9]+)*\Z")
_ON, _OFF = ("1", "+1", "ON", "TRUE"), ("0", "+0", "-0", "OFF", "FALSE")


@dataclass(frozen=True)
class ErrorEntry:
    """One entry of the instrument's error queue."""

    code: int
    text: str

    def __str__(self) -> str:
        return f'{self.code},"{self.text}"' if self.text else str(self.code)


def _clip(text: str) -> str:
    return repr(text if len(text) <= 80 else text[:77] + "...")


def without_label(reply: str, label: str, instrument: str) -> str:
    """`VOLT 13.80` -> `13.80` if label is `VOLT`. The label must be there: it says whose number this is."""
    body = reply.strip()
    if not label:
        return body
    head, _, rest = body.partition(" ")
    if head.upper() != label.upper() or not rest.strip():
        raise GarbledReply(instrument, f"the reply {_clip(reply)} does not begin with {label!r}")
    return rest.strip()


def _plain(text: str, instrument: str) -> float:
    """Float of NR1, NR2 or NR3 text (IEEE 488.2, 8.7.2 to 8.7.4), sentinels included."""
    body = text.strip()
    if body.upper() in _NOTHING:
        raise NotANumber(instrument, f"answered {body!r} where a number was asked")
    if not _NUMBER.match(body):
        raise GarbledReply(instrument, f"the reply {_clip(text)} is not a number")
    return float(body)


def number(text: str, instrument: str) -> float:
    """Finite float. Raises NotANumber for sentinels (|x| >= 9.8E37) and words as OL, else GarbledReply."""
    value = _plain(text, instrument)
    if not abs(value) < SENTINEL_FROM:
        raise NotANumber(instrument, f"answered {text.strip()!r}: overload or no reading, not a number")
    return value


def number_or_infinite(text: str, instrument: str) -> float:
    """As `number`, but +9.9E37 and INF read as infinity (a load setting, say). 9.91E37 is still no number."""
    if text.strip().upper() in ("INF", "+INF", "INFINITY"):
        return math.inf
    value = _plain(text, instrument)
    if SENTINEL_FROM <= value < 9.905e37:
        return math.inf
    return number(text, instrument)


def is_over(text: str) -> bool:
    """Whether it stands for more than the range holds: +9.9E37, and the words for it."""
    body = text.strip().upper()
    if body in _NOTHING:
        return body in ("INF", "+INF", "INFINITY", "OL", "OVLD", "OVERLOAD")
    return bool(_NUMBER.match(body)) and SENTINEL_FROM <= float(body) < 9.905e37


def numbers(text: str, count: int, instrument: str) -> tuple[float, ...]:
    """`count` comma-separated finite floats."""
    fields = fields_of(text, ",", count, instrument)
    return tuple(number(f, instrument) for f in fields)


def fields_of(text: str, separator: str, count: int, instrument: str) -> tuple[str, ...]:
    """Exactly `count` fields between separators, stripped of blanks."""
    fields = tuple(f.strip() for f in text.strip().split(separator))
    if len(fields) != count:
        raise GarbledReply(instrument, f"{len(fields)} fields came where {count} were asked: {_clip(text)}")
    return fields


def whole(text: str, instrument: str) -> int:
    """An integer, also if spelled `+2`, `2.0` or `2E0`."""
    value = number(text, instrument)
    if value != int(value):
        raise GarbledReply(instrument, f"the reply {_clip(text)} is not a whole number")
    return int(value)


def hexadecimal(text: str, instrument: str) -> int:
    """`8041`, also spelled `#H8041` (IEEE 488.2, 8.7.5), `0x8041` or `8041H`."""
    found = re.fullmatch(r"(?:#H|0X)?([0-9A-F]{1,13})H?", text.strip().upper())
    if not found:
        raise GarbledReply(instrument, f"the reply {_clip(text)} is not a hexadecimal number")
    return int(found.group(1), 16)


def boolean(text: str, instrument: str) -> bool:
    """SCPI says `1` or `0`; `ON`, `OFF`, `+1` are in the field. Raises NotANumber for sentinels, else GarbledReply."""
    body = text.strip().upper()
    if body in _ON:
        return True
    if body in _OFF:
        return False
    with suppress(GarbledReply):
        number(text, instrument)  # of a sentinel it says so
    raise GarbledReply(instrument, f"the reply {_clip(text)} is neither on nor off")


def short_form(word: str) -> str:
    """`TRIGgered` -> `TRIG`: the capitals of a word as manuals print it (SCPI-1999 vol. 1, 6.2.1)."""
    return re.sub(r"[a-z]+", "", word)


def word_is(reply: str, word: str) -> bool:
    """True if the reply is the exact short or the exact long form of `word` (as printed), case ignored."""
    body = reply.strip().strip("\"'").upper()
    return body in (short_form(word).upper(), word.upper())


def error_entry(reply: str, instrument: str) -> ErrorEntry:
    """`-222,"Data out of range;level"`; also without quotes, with blanks, a plus sign, or no text."""
    found = _ERROR.match(reply)
    if not found:
        raise GarbledReply(instrument, f"the reply {_clip(reply)} is not an entry of an error queue")
    double, single, bare = found.group(2), found.group(3), found.group(4)
    text = double.replace('""', '"') if double is not None else ""
    text = single.replace("''", "'") if single is not None else text
    return ErrorEntry(int(found.group(1)), (bare if bare is not None else text).strip())


def block_header(start: bytes, instrument: str) -> tuple[int, int]:
    """(bytes of header, bytes of payload) of a definite-length block `#41000...` (IEEE 488.2, 8.7.9).

    `start` must hold the whole header: `#`, one digit n, n digits. The indefinite `#0` is refused: on a raw socket
    its end can't be told from a newline in the data.
    """
    if len(start) < 2 or start[:1] != b"#" or not start[1:2].isdigit():
        raise GarbledReply(instrument, f"a block should begin with # and a digit, not {start[:12]!r}")
    digits = int(start[1:2])
    if digits == 0:
        raise GarbledReply(instrument, "a block of unknown length (#0) can't be read from this link")
    count = start[2 : 2 + digits]
    if len(count) != digits or not count.isdigit():
        raise GarbledReply(instrument, f"the length of the block is not a number: {start[:12]!r}")
    return 2 + digits, int(count)


def channel_list(names: Iterable[str]) -> str:
    """`(@101,103)`, the order kept: it is meaningful (SCPI-1999 vol. 1, 8.3.2)."""
    listed = tuple(names)
    for name in listed:
        if not re.fullmatch(r"[0-9]+(![0-9]+)*", name):
            raise ValueError(f"{name!r} is not a channel number")
    if not listed:
        raise ValueError("an empty channel list addresses nothing")
    return f"(@{','.join(listed)})"


def bare_names(names: Iterable[str]) -> str:
    """`101,103` or `1a,2f`."""
    listed = tuple(names)
    for name in listed:
        if not _NAME.match(name):
            raise ValueError(f"{name!r} is not the name of a channel: letters and digits")
    if not listed:
        raise ValueError("an empty list addresses nothing")
    return ",".join(listed)


def names_of(text: str, instrument: str) -> tuple[str, ...]:
    """`1a,2f` -> 1a, 2f; also in brackets; nothing is none."""
    inner = re.sub(r"\A\(@?(.*)\)\Z", r"\1", text.strip())
    names = tuple(name.strip() for name in inner.split(",")) if inner.strip() else ()
    if not all(_NAME.match(name) for name in names):
        raise GarbledReply(instrument, f"the reply {_clip(text)} is not a list of channels")
    return names


def channels_of(text: str, instrument: str) -> tuple[str, ...]:
    """`(@101,103:105)` -> 101, 103, 104, 105; ranges may run downwards; `(@)` is none."""
    body = text.strip()
    if not (body.startswith("(@") and body.endswith(")")):
        raise GarbledReply(instrument, f"the reply {_clip(text)} is not a channel list")
    inner = body[2:-1].strip()
    return tuple(name for part in inner.split(",") for name in _spread(part, instrument)) if inner else ()


def _spread(part: str, instrument: str) -> tuple[str, ...]:
    first, colon, last = (p.strip() for p in part.partition(":"))
    if not colon and re.fullmatch(r"[0-9]+(![0-9]+)*", first):
        return (first,)
    both_whole = re.fullmatch(r"[0-9]{1,9}:[0-9]{1,9}", f"{first}:{last}")
    if not both_whole or abs(int(last) - int(first)) > 9999:
        raise GarbledReply(instrument, f"{part.strip()!r} is not part of a channel list")
    low, high = int(first), int(last)
    return tuple(str(n) for n in (range(low, high + 1) if low <= high else range(low, high - 1, -1)))
