"""Builds the frozen file of a bench from its dialects: the exact lines the drivers themselves would send. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drivers.dialect import Dialect
from drivers.dialect_model import BooleanSetting
from drivers.reply_forms import Fielded, KeyValue, Plain
from sequencer.safety.freeze import MOST_PORT, Frozen, Instrument, Rail, Reading
from sequencer.safety.make_safe import RAIL_SAFE_A, RAIL_SAFE_V

SWITCHED_OFF = {"generator": "output", "supply": "output", "cut_off": "relay"}  # role -> what is off in it
USUAL_OFF = ("0", "OFF")


@dataclass(frozen=True)
class Held:
    """Whose links they are. record: absolute path the guardian writes to. bleed_s: how long the rail may take."""

    run: str
    bench: str
    pid: int
    pid_began: int
    record: str
    bleed_s: float


def freeze(
    held: Held,
    dialects: Mapping[Any, Dialect],
    addresses: Mapping[Any, str],
    identities: Mapping[Any, str] | None = None,
) -> Frozen:
    """addresses: VISA resource per role; identities: how each one's identity begins, where the bench's file is stricter
    than the dialect. Raises ValueError for an address that is no TCP socket."""
    stricter = identities or {}
    return Frozen(
        run=held.run,
        bench=held.bench,
        pid=held.pid,
        pid_began=held.pid_began,
        instruments=tuple(
            _instrument(role, dialects[role], addresses[role], stricter.get(role, ""))
            for role in SWITCHED_OFF
            if role in dialects
        ),
        rail=_rail(dialects["supply"], held.bleed_s) if "supply" in dialects else None,
        record=held.record,
    )


def host_and_port(address: str) -> tuple[str, int]:
    """Of TCPIP[n]::host::port::SOCKET. Raises ValueError."""
    parts = address.split("::")
    is_socket = len(parts) == 4 and parts[0].upper().startswith("TCPIP") and parts[3].upper() == "SOCKET"
    if not (is_socket and parts[1] and parts[2].isdecimal() and 0 < int(parts[2]) <= MOST_PORT):
        raise ValueError(f"{address}: the guardian reaches TCPIP::host::port::SOCKET only")
    return parts[1], int(parts[2])


def _instrument(role: str, dialect: Dialect, address: str, stricter: str) -> Instrument:
    host, port = host_and_port(address)
    greeting, name = dialect.greeting(stricter), SWITCHED_OFF[role]
    output = dialect.file.setting[name]
    assert isinstance(output, BooleanSetting)
    off = {sample.reply.upper() for sample in output.samples if sample.means is False}
    on = {sample.reply.upper() for sample in output.samples if sample.means is True} | {output.on.upper()}
    return Instrument(
        role=role,
        host=host,
        port=port,
        write_end=dialect.link.write_end,
        read_end=dialect.link.read_end,
        opening=greeting.opening,
        off=dialect.make_safe_lines(),
        off_ask=dialect.settings[name].question(),
        off_words=tuple(sorted(off | set(USUAL_OFF) - on)),
        identity_ask=greeting.identity_ask,
        identity_begins=greeting.identity_begins,
        gap_s=dialect.link.gap_s,
        off_pattern=off_pattern(output),
    )


def off_pattern(output: BooleanSetting) -> str:
    """Matches every reply of its form that says off, whatever else stands in it; "" where the samples say it all."""
    form = output.reply
    if isinstance(form, Plain) or form.quoted or output.label:
        return ""
    words = "|".join(re.escape(word) for word in sorted({output.off, *USUAL_OFF} - {output.on}))
    between = r"\s+" if form.separator == " " else re.escape(form.separator)
    other, value = f"[^{re.escape(form.separator)}]*", rf"\s*(?:{words})\s*"
    header = re.escape(form.header) + r"\s*"
    if isinstance(form, Fielded):
        last = f"(?:{between}.*)?" if form.count is None else f"(?:{between}{other}){{{form.count - form.place - 1}}}"
        pattern = f"{header}(?:{other}{between}){{{form.place}}}{value}{last}"
    else:
        key, mark = (form.key, between) if isinstance(form, KeyValue) else (form.name, re.escape(form.between))
        pattern = rf"{header}(?:.*{between})?\s*{re.escape(key)}\s*{mark}{value}(?:{between}.*)?"
    is_on = any(re.fullmatch(pattern, s.reply.strip(), re.IGNORECASE) for s in output.samples if s.means)
    return "" if is_on else pattern


def _rail(dialect: Dialect, bleed_s: float) -> Rail:
    readings = tuple(
        Reading(dialect.question(part.ask), part.label or "", tuple(part.gives), part.units)
        for part in dialect.reading("measured")
    )
    return Rail(readings, RAIL_SAFE_V, RAIL_SAFE_A, bleed_s)
