"""What a modest bench can't promise: said by `check`, before a night is armed, and on its sheets. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from sequencer.plan.ammeter import ammeter, ammeter_input
from sequencer.plan.models import Bench, Unit

# Of the table of rules: each holds a reading of the supply's meter against a limit.
SUPPLY_RULES = (
    "supply current",
    "supply current without signal",
    "supply current running away",
    "current limit without signal",
    "supply tripped",
    "supply volts",
)
NO_SUPPLY = "no remote supply"
NO_AMPS = f"{NO_SUPPLY}, and no digitiser input sees the supply's current"


BY_A_PERSON = "a person switches it: there is no instant to count from"
NEEDS_AMPS = frozenset({"idle_adjustment", "steady_efficiency"})
NEEDS_SWITCHING = frozenset({"turn_on", "endurance"})


def lacking(bench: Bench, measurement: str) -> str | None:
    """Why this bench can't do that measurement at all; None where it can."""
    if "supply" not in bench.by_hand:
        return None
    if measurement in NEEDS_SWITCHING:
        return f"{NO_SUPPLY}: {BY_A_PERSON}"
    if measurement in NEEDS_AMPS and (ammeter(bench) is None or bench.input_for("rail") is None):
        return NO_AMPS
    return None


def not_promised(bench: Bench, unit: Unit | None = None) -> tuple[str, ...]:
    """Sentences without a stop; none for a bench with a supply, and a load switch that tells its relays. unit: None
    where it is not known yet."""
    return (*_supply(bench, unit), *_loads(bench), *_contacts(bench))


def _supply(bench: Bench, unit: Unit | None) -> Iterator[str]:
    if "supply" not in bench.by_hand:
        return
    line = "" if unit is None or not unit.remote_line or "load_switch" not in bench.by_hand else ", its remote line too"
    yield f"power off by software: it ends the signal and says so, a person switches the supply off{line}"
    rail = bench.input_for("rail")
    if rail is None:
        yield "that the rail is down: no digitiser input sees it, so the bench is never confirmed safe (exit code 3)"
    else:
        yield f"that the supply gives no current when it is off: only the rail is seen, by {rail}"
    yield f"limits of the supply while a unit is powered (not watched: {', '.join(SUPPLY_RULES)})"
    amps = ammeter_input(bench)
    if amps is None:
        yield f"current, efficiency: not measured ({NO_AMPS}), idle current is what a person reads and types"
    elif rail is None:
        yield f"efficiency: not measured (the current is seen by {amps}, the volts by nothing)"
    if unit is not None and unit.front_end == "mains":
        yield "a unit on the mains: transformer, lamp and its switch are in a person's hands"


def _loads(bench: Bench) -> Iterator[str]:
    if "load_switch" not in bench.by_hand:
        return
    yield "loads off by software: what a person connects stays connected until a person takes it off"
    if bench.input_for("shunt in the load return") is None:
        yield "ohms of what was connected: no shunt in the load return proves them, a person's own reading counts"
    else:
        yield "each channel's ohms alone: volts over amps prove all loads that hang there together"


def _contacts(bench: Bench) -> Iterator[str]:
    if bench.contacts_seen:
        return
    yield "contacts as they were told: the load switch can't be asked, so none is ever seen closed or open"
    yield "who is to blame for an output that is gone: the unit, or a contact that opened"
    yield "loads seen connected: only volts over amps prove them, at a harmless level, all channels' together"
