"""Where in a reply the value stands: a closed list of forms a dialect file chooses from by name. Pure.

A form cuts the value out of the reply; what the value is (number, word, on or off, bits) is read by drivers.scpi.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Annotated, Literal

from pydantic import Field

from drivers.dialect_base import Message, Place, Strict
from drivers.errors import GarbledReply, NotANumber

Separator = Literal[",", ";", " "]


class _Form(Strict):
    """header: text at the beginning that the instrument repeats, with a blank after it. quoted: the value stands in
    quotation marks."""

    header: str = ""
    quoted: bool = False


class Plain(_Form):
    """The whole reply is the value."""

    kind: Literal["plain"] = "plain"


class Mark(Strict):
    place: Place
    reads: Message


class Fielded(_Form):
    """The value is field `place`, counted from 0, of several. count: how many there must be, if that is known. mark:
    another field, and what it must read for the value to count."""

    kind: Literal["field"]
    place: Place
    count: Annotated[int, Field(ge=1, le=64)] | None = None
    separator: Separator = ","
    mark: Mark | None = None


class KeyValue(_Form):
    """`WVTP,SINE,FRQ,1000HZ`: the value is the field after `key`, which must stand there exactly once."""

    kind: Literal["key_value"]
    key: Message
    separator: Separator = ","


class NameValue(_Form):
    """`VOLT:13.8;CURR:2.0`: the value follows `name` and the text `between`."""

    kind: Literal["name_value"]
    name: Message
    separator: Separator = ";"
    between: Literal[":", "=", " "] = ":"


ReplyForm = Annotated[Plain | Fielded | KeyValue | NameValue, Field(discriminator="kind")]
PLAIN = Plain()


def value_in(form: Plain | Fielded | KeyValue | NameValue, reply: str, instrument: str) -> str:
    """The text of the value. Raises GarbledReply where the reply has another form."""
    body = _without_header(reply, form.header, instrument)
    if isinstance(form, Fielded):
        body = _field(form, body, instrument)
    elif isinstance(form, KeyValue):
        body = _after_key(form, body, instrument)
    elif isinstance(form, NameValue):
        body = _named(form, body, instrument)
    return _unquoted(body, instrument) if form.quoted else body


def _without_header(reply: str, header: str, instrument: str) -> str:
    """A header may be of several words; behind a comma, an equals sign or a colon at its end no blank need follow."""
    body, joint = reply.strip(), "" if header.endswith((",", "=", ":")) else " "
    if not header:
        return body
    rest = body[len(header) + len(joint) :].strip()
    if not body.upper().startswith((header + joint).upper()) or not rest:
        raise GarbledReply(instrument, f"the reply {body[:80]!r} does not begin with {header!r}")
    return rest


def _split(body: str, separator: str) -> list[str]:
    parts = body.split() if separator == " " else body.split(separator)
    return [part.strip() for part in parts]


def _field(form: Fielded, body: str, instrument: str) -> str:
    fields = _split(body, form.separator)
    if form.count is not None and len(fields) != form.count:
        raise GarbledReply(instrument, f"{len(fields)} fields came where {form.count} were expected: {body[:80]!r}")
    if form.place >= len(fields):
        raise GarbledReply(instrument, f"no field {form.place} in {body[:80]!r}")
    if (mark := form.mark) is not None and fields[mark.place : mark.place + 1] != [mark.reads]:
        raise NotANumber(instrument, f"answered {body[:80]!r}: field {mark.place} is not {mark.reads!r}")
    return fields[form.place]


def _after_key(form: KeyValue, body: str, instrument: str) -> str:
    fields = _split(body, form.separator)
    places = [n for n, text in enumerate(fields) if text.upper() == form.key.upper()]
    if len(places) != 1 or places[0] + 1 == len(fields):
        raise GarbledReply(instrument, f"no single value after {form.key!r} in {body[:80]!r}")
    return fields[places[0] + 1]


def _named(form: NameValue, body: str, instrument: str) -> str:
    pairs = [part.partition(form.between) for part in (p.strip() for p in body.split(form.separator))]
    found = [value.strip() for name, mark, value in pairs if mark and name.strip().upper() == form.name.upper()]
    if len(found) != 1 or not found[0]:
        raise GarbledReply(instrument, f"no single value named {form.name!r} in {body[:80]!r}")
    return found[0]


def _unquoted(body: str, instrument: str) -> str:
    mark = body[:1]
    if len(body) < 2 or mark not in ("'", '"') or body[-1] != mark:
        raise GarbledReply(instrument, f"{body[:80]!r} does not stand in quotation marks")
    return body[1:-1].replace(mark * 2, mark)


# --- units glued on ---------------------------------------------------------------------------------

# SCPI-1999 vol. 1, 7.7.3 and IEEE 488.2 table 7-2 (from memory): M is milli and MA mega, but MHZ and MOHM are mega.
_MULTIPLIERS: Mapping[str, float] = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip
_M_IS_MEGA = ("HZ", "OHM")
_NUMBER_AND_SUFFIX = re.compile(r"([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?) ?([A-Za-z%/]*)\Z")


def without_unit(text: str, unit: str, instrument: str) -> str:
    """`1.5KHZ` -> `1500.0` if unit is `HZ`: the number of base units as text; unchanged if unit is empty.

    Words (`OL`, `INF`, `HZ` for a high impedance) pass unchanged: they are judged as words. Raises GarbledReply where
    a number bears another unit or none.
    """
    body = text.strip()
    found = _NUMBER_AND_SUFFIX.match(body)
    if not unit or found is None:
        return body
    plain, suffix = found.group(1), found.group(2).upper()
    if suffix == unit.upper():
        return plain
    prefix = suffix.removesuffix(unit.upper())
    if not suffix.endswith(unit.upper()) or prefix not in _MULTIPLIERS:
        raise GarbledReply(instrument, f"{body[:80]!r} is not a number in {unit}")
    mega = prefix == "M" and unit.upper() in _M_IS_MEGA
    return repr(float(plain) * (1e6 if mega else _MULTIPLIERS[prefix]))
