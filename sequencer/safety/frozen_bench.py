"""Builds the frozen file of a bench from its dialects: the exact lines the drivers themselves would send. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drivers.dialect import Dialect
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
    off = {sample.reply.upper() for sample in output.samples if sample.means is False}
    return Instrument(
        role=role,
        host=host,
        port=port,
        write_end=dialect.link.write_end,
        read_end=dialect.link.read_end,
        opening=greeting.opening,
        off=dialect.make_safe_lines(),
        off_ask=dialect.settings[name].question(),
        off_words=tuple(sorted(off | set(USUAL_OFF))),
        identity_ask=greeting.identity_ask,
        identity_begins=greeting.identity_begins,
        gap_s=dialect.link.gap_s,
    )


def _rail(dialect: Dialect, bleed_s: float) -> Rail:
    readings = tuple(
        Reading(dialect.question(part.ask), part.label or "", tuple(part.gives), part.units)
        for part in dialect.reading("measured")
    )
    return Rail(readings, RAIL_SAFE_V, RAIL_SAFE_A, bleed_s)
